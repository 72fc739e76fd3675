"""The one door to Lab Streaming Layer: sets its configuration, then imports pylsl."""

from __future__ import annotations

import importlib
import os
import sys
from pathlib import Path
from typing import Any

CONFIG = Path(__file__).with_name("lsl_api.cfg")


class LslUnavailableError(RuntimeError):
    """pylsl, or the liblsl library it wraps, cannot be loaded on this machine."""


def _remedy() -> str:
    if sys.platform == "darwin":
        return "`pip install pylsl` and `brew install labstreaminglayer/tap/lsl`"
    if sys.platform == "win32":
        return "`pip install --force-reinstall pylsl` (its Windows wheel brings the library)"
    return (
        "`pip install --upgrade pylsl` (its Linux wheels for x86-64 bring the library); on other processors install liblsl from "
        "https://github.com/sccn/liblsl/releases and set PYLSL_LIB to the path of liblsl.so"
    )


def load_pylsl() -> Any:
    """Return the pylsl module, with LSL kept on this machine.

    liblsl reads its configuration once, at its first use, from the file that LSLAPICFG names. A value set by the user wins; else
    the packaged `lsl_api.cfg` is used. The variable stays set, so child processes follow the same configuration.

    Raises LslUnavailableError that says what to install.
    """
    if not os.environ.get("LSLAPICFG"):
        os.environ["LSLAPICFG"] = str(CONFIG)
    try:
        return importlib.import_module("pylsl")
    except (ImportError, RuntimeError, OSError) as error:  # pylsl raises RuntimeError when liblsl is not found
        reason = str(error).strip().splitlines()
        raise LslUnavailableError(
            f"Lab Streaming Layer cannot be loaded ({reason[0] if reason else type(error).__name__}): install it by {_remedy()}"
        ) from error

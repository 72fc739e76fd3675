"""The one door to Lab Streaming Layer: sets its configuration, then imports pylsl."""

from __future__ import annotations

import configparser
import importlib
import ipaddress
import logging
import os
import re
import socket
import sys
from pathlib import Path
from typing import Any

CONFIG = Path(__file__).with_name("lsl_api.cfg")
_ANSWER_S = 0.5
# What a firewall must let pass: queries at the first, then as many as the packaged configuration gives to streams (PortRange).
PORTS = "UDP and TCP ports 16571 to 16699"


_log = logging.getLogger(__name__)


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
    the packaged `lsl_api.cfg` is used. The variable stays set, so child processes follow the same configuration. A configuration
    that looks beyond this machine is warned of, once a process.

    Raises LslUnavailableError that says what to install.
    """
    if not os.environ.get("LSLAPICFG"):
        os.environ["LSLAPICFG"] = str(CONFIG)
    if "pylsl" not in sys.modules and (warning := network_warning(Path(os.environ["LSLAPICFG"]))):
        _log.warning(warning)
    try:
        return importlib.import_module("pylsl")
    except (ImportError, RuntimeError, OSError) as error:  # pylsl raises RuntimeError when liblsl is not found
        reason = str(error).strip().splitlines()
        raise LslUnavailableError(
            f"Lab Streaming Layer cannot be loaded ({reason[0] if reason else type(error).__name__}): install it by {_remedy()}"
        ) from error


def is_here(info: Any) -> bool:
    """Whether the outlet of this pylsl.StreamInfo is on this machine, with a port that can be asked."""
    return info.hostname() == socket.gethostname() and _port(info) > 0


def _port(info: Any) -> int:
    found = re.search(r"<v4data_port>(\d{1,5})<", info.as_xml())
    return 0 if found is None else int(found[1])


def has_closed(info: Any) -> bool:
    """Whether the outlet that this pylsl.StreamInfo was found from, on this machine, is certainly gone.

    Its TCP port is asked, as the system refuses a closed one at once: a sender that is only busy, or stands still, is not taken
    for one that has gone, however long its answer takes. An outlet that took over the port does not know the uid: no answer.
    """
    try:
        with socket.create_connection(("127.0.0.1", _port(info)), _ANSWER_S) as connection:
            connection.sendall(f"LSL:shortinfo\r\nuid='{info.uid()}'\r\n".encode())
            return connection.recv(1) == b""
    except (ConnectionRefusedError, ConnectionResetError):
        return True
    except OSError:  # no answer in time
        return False


def network_warning(config: Path) -> str | None:
    """Why streams of other computers may take part under this configuration of LSL, and what that means; None if none may.

    What is not set has liblsl's default, which is to search the site.
    """
    settings = configparser.ConfigParser(interpolation=None, strict=False)
    settings.optionxform = str  # type: ignore[assignment,method-assign]  # liblsl knows names in this spelling only
    try:
        settings.read(config, encoding="utf-8")
    except (configparser.Error, UnicodeDecodeError, OSError):
        return f"LSL's configuration {config} cannot be read, so LSL may search the network. {_UNSAFE}"
    scope = settings.get("multicast", "ResolveScope", fallback="site").strip().lower()
    # Groups that are set take the place of those that the scope stands for.
    groups = [group for name in ("AddressesOverride", "MachineAddresses") for group in _listed(settings, "multicast", name)]
    others = [address for address in (*_listed(settings, "lab", "KnownPeers"), *groups) if not _is_here(address)]
    if scope == "machine" and not others:
        return None
    how = f"asks {', '.join(others)}" if scope == "machine" else f"searches the network (ResolveScope = {scope})"
    return f"LSL {how} by {config}. {_UNSAFE}"


_UNSAFE = (
    "It knows no passwords and hides nothing: whoever is on that network can send a stream of any name, and read yours. Use a "
    "network of its own, and give source_id as well as name in the plan"
)


def _listed(settings: configparser.ConfigParser, section: str, name: str) -> list[str]:
    """What stands between braces and commas."""
    return [one.strip() for one in settings.get(section, name, fallback="").strip(" {}").split(",") if one.strip()]


def _is_here(peer: str) -> bool:
    """An address of this machine, or a group that does not leave it (IPv6 scope 1: RFC 4291, from memory)."""
    try:
        address = ipaddress.ip_address(peer)
        return address.is_loopback or (address.version == 6 and address.packed[:1] == b"\xff" and address.packed[1] & 0xF == 1)
    except ValueError:
        return peer == "localhost"

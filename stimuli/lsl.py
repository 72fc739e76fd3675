"""Access to Lab Streaming Layer: the only module that imports pylsl. It sets the configuration of LSL first."""

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
    """Return the pylsl module, with LSL restricted to this machine.

    liblsl reads its configuration once, at its first use, from the file that LSLAPICFG names. A value set by the user has
    priority; otherwise the packaged `lsl_api.cfg` is used. The variable stays set, so that child processes use the same
    configuration. A configuration that reaches other machines causes a warning, once per process.

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
    """Whether the outlet of this pylsl.StreamInfo is on this machine, and its port can be tested."""
    return info.hostname() == socket.gethostname() and _port(info) > 0


def _port(info: Any) -> int:
    found = re.search(r"<v4data_port>(\d{1,5})<", info.as_xml())
    return 0 if found is None else int(found[1])


def has_closed(info: Any) -> bool:
    """Whether the outlet of this pylsl.StreamInfo, on this machine, is certainly gone.

    The function connects to the outlet's TCP port. The operating system refuses a closed port at once, so a sender that is only
    busy or suspended is not taken for one that is gone, however late it answers. Another outlet that took over the port does not
    know the uid and gives no answer.
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
    """Explain why streams of other computers may be found under this configuration of LSL, and what follows; None if none may.

    For settings that the file leaves out, liblsl's defaults hold, which search the local site.
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
    """The items of a setting in braces, separated by commas."""
    return [one.strip() for one in settings.get(section, name, fallback="").strip(" {}").split(",") if one.strip()]


def _is_here(peer: str) -> bool:
    """Whether this is an address of this machine, or a multicast group that does not leave it (IPv6 scope 1: RFC 4291, from
    memory)."""
    try:
        address = ipaddress.ip_address(peer)
        return address.is_loopback or (address.version == 6 and address.packed[:1] == b"\xff" and address.packed[1] & 0xF == 1)
    except ValueError:
        return peer == "localhost"

"""Configuration of LSL and the message when it is missing; in child processes, because pylsl loads once in a process."""

import configparser
import os
import subprocess
import sys
from pathlib import Path

import pytest

from quietfloor.stimuli import lsl
from tests.slow import patience


def run_child(code, **variables):
    environment = {k: v for k, v in os.environ.items() if k not in ("LSLAPICFG", "PYLSL_LIB")} | variables
    return subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=patience(60))


def test_packaged_configuration_stays_on_this_machine_and_hides_no_stream():
    parser = configparser.ConfigParser()
    parser.read(lsl.CONFIG)
    assert parser["multicast"]["ResolveScope"] == "machine"
    assert parser["lab"]["KnownPeers"] == "{127.0.0.1}"
    assert parser["ports"]["IPv6"] == "disable"
    assert not parser.has_option("lab", "SessionID")


def test_the_ports_that_are_named_are_those_of_the_packaged_configuration():
    """Base and multicast port are liblsl's own (its documentation of [ports]: BasePort 16572, MulticastPort 16571)."""
    parser = configparser.ConfigParser()
    parser.read(lsl.CONFIG)
    last = 16572 + int(parser["ports"]["PortRange"]) - 1
    assert lsl.PORTS.endswith(f"16571 to {last}")
    page = (Path(__file__).parents[2] / "docs/security.md").read_text(encoding="utf-8")
    assert page.count(f"dport 16571-{last} drop") == 2


def test_packaged_configuration_is_used_when_nothing_is_set():
    result = run_child(
        "import os; from quietfloor.stimuli.lsl import load_pylsl; p = load_pylsl(); p.local_clock()\n"
        "print(os.environ['LSLAPICFG'], p.__name__)"
    )
    assert result.returncode == 0, result.stderr
    assert result.stdout.split() == [str(lsl.CONFIG), "pylsl"]


def test_configuration_of_the_user_wins(tmp_path):
    own = tmp_path / "own.cfg"
    own.write_text("[multicast]\nResolveScope = machine\n")
    result = run_child(
        "import os; from quietfloor.stimuli.lsl import load_pylsl; load_pylsl(); print(os.environ['LSLAPICFG'])",
        LSLAPICFG=str(own),
    )
    assert result.stdout.strip() == str(own), result.stderr


def test_missing_library_says_what_to_install(tmp_path):
    (tmp_path / "pylsl.py").write_text("raise RuntimeError('LSL binary library file was not found.\\n long help')")
    code = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); from quietfloor.stimuli.lsl import load_pylsl; load_pylsl()"
    result = run_child(code)
    assert result.returncode != 0
    assert "LslUnavailableError" in result.stderr
    assert "pip install" in result.stderr


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[multicast]\nResolveScope = machine\n", None),
        ("[multicast]\nResolveScope = machine\n[lab]\nKnownPeers = {127.0.0.1, localhost, ::1}\n", None),
        ("[multicast]\nResolveScope = machine\n[lab]\nKnownPeers = {127.0.0.1, amp.local}\n", "asks amp.local by"),
        ("[multicast]\nResolveScope = machine\nMachineAddresses = {127.0.0.1, ::1, FF31:113D::3CD2}\n", None),
        ("[multicast]\nResolveScope = machine\nMachineAddresses = {127.0.0.1, 239.255.172.215}\n", "asks 239.255.172.215 by"),
        ("[multicast]\nResolveScope = machine\nAddressesOverride = {224.0.0.183}\n", "asks 224.0.0.183 by"),
        ("[multicast]\nResolveScope = link\n", "ResolveScope = link"),
        ("[multicast]\nresolvescope = machine\n", "ResolveScope = site"),  # not that name for liblsl
        ("[lab]\nKnownPeers = {}\n", "ResolveScope = site"),
        ("no section\n", "cannot be read"),
        (b"\xff\xfe\x00", "cannot be read"),
        (None, "ResolveScope = site"),
    ],
)
def test_a_configuration_that_opens_the_network_is_told(tmp_path, text, said):
    config = tmp_path / "lsl.cfg"
    if text is not None:
        config.write_bytes(text.encode() if isinstance(text, str) else text)
    warning = lsl.network_warning(config)
    if said is None:
        assert warning is None
    else:
        assert said in warning
        assert "knows no passwords" in warning
    assert lsl.network_warning(lsl.CONFIG) is None


def test_an_open_network_is_warned_of_once(tmp_path):
    own = tmp_path / "own.cfg"
    own.write_text("[multicast]\nResolveScope = site\n")
    code = "from quietfloor.stimuli.lsl import load_pylsl; load_pylsl(); load_pylsl()"  # does not yet speak to the network
    result = run_child(code, LSLAPICFG=str(own))
    assert result.returncode == 0
    assert result.stderr.count("LSL searches the network (ResolveScope = site)") == 1

"""The doctor names what is missing and the line that installs it, and is never stopped by one broken part."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from quietfloor.monitor.doctor import checks as doctor
from quietfloor.monitor.doctor.checks import Check, healthy, package_tool, run_checks


@pytest.mark.lsl
def test_this_machine_is_healthy(tmp_path: Path) -> None:
    checks = run_checks(tmp_path / "new" / "sessions", window=False)
    assert healthy(checks), [check for check in checks if check.state == "missing"]
    by_part = {check.part: check for check in checks}
    assert by_part["LSL on this machine"].state == "ok"
    assert "liblsl" in by_part["Lab Streaming Layer"].found
    assert all(check.remedy for check in checks if check.state != "ok")
    assert all(check.needed_for and check.found for check in checks)


def test_a_folder_that_is_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    check = run_checks(tmp_path / "file", loopback=False, window=False)[-1]
    assert check.state == "missing"
    assert "--out" in check.remedy
    assert not healthy([check])


def test_a_broken_package_hides_no_other(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)  # what the import system does for a package that is not there
    monkeypatch.setitem(sys.modules, "rich", None)
    monkeypatch.setitem(sys.modules, "edfio", None)
    by_part = {check.part: check for check in run_checks(tmp_path, loopback=False, window=False)}
    assert by_part["rich"].state == "missing"
    assert by_part["rich"].remedy.endswith("-m pip install --upgrade rich")
    assert by_part["sound (PortAudio)"].state == "missing"
    assert not by_part["sound (PortAudio)"].required
    assert by_part["BDF (edfio)"].state == "missing"
    assert not by_part["BDF (edfio)"].required
    assert by_part["recording folder"].state != "missing"


def test_an_lsl_configuration_that_is_no_file_is_a_warning(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LSLAPICFG", str(tmp_path / "absent.cfg"))
    check = next(c for c in run_checks(tmp_path, loopback=False, window=False) if c.part == "Lab Streaming Layer")
    assert check.state == "warning"
    assert "LSLAPICFG" in check.remedy


def test_little_space_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(doctor, "FREE_WARNING_BYTES", 1 << 62)
    assert run_checks(tmp_path, loopback=False, window=False)[-1].state == "warning"
    monkeypatch.setattr(doctor, "FREE_MISSING_BYTES", 1 << 62)
    assert run_checks(tmp_path, loopback=False, window=False)[-1].state == "missing"


@pytest.mark.parametrize(
    ("system", "release", "tool"),
    [
        ("Linux", {"ID": "debian"}, "apt"),
        ("Linux", {"ID": "linuxmint", "ID_LIKE": "ubuntu debian"}, "apt"),
        ("Linux", {"ID": "rocky", "ID_LIKE": "rhel centos fedora"}, "dnf"),
        ("Linux", {"ID": "manjaro", "ID_LIKE": "arch"}, "pacman"),
        ("Linux", {"ID": "opensuse-leap", "ID_LIKE": "suse opensuse"}, "zypper"),
        ("Linux", {"ID": "unheard-of"}, "pip"),
        ("Darwin", {}, "brew"),
        ("Windows", {}, "pip"),
    ],
)
def test_the_remedy_fits_the_system(system: str, release: dict[str, str], tool: str) -> None:
    assert package_tool(system, release, which=lambda program: None) == tool


def test_only_required_parts_decide() -> None:
    assert healthy([Check("sound", "missing", "x", "y", "z", required=False), Check("numpy", "warning", "x", "y", "z")])
    assert not healthy([Check("numpy", "missing", "x", "y", "z")])

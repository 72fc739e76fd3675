"""LSL on this machine only, in a session of its own, before anything can import pylsl. Child processes inherit it."""

import os
import signal
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.slow import patience
from tests.sound_loop import MISSING, PORTS, SoundLoop, can_loop

_folder = Path(tempfile.mkdtemp(prefix="quietfloor-tests-"))
_config = _folder / "lsl_api.cfg"
_config.write_text(
    "[ports]\nIPv6 = disable\nPortRange = 256\n[multicast]\nResolveScope = machine\n"
    f"[lab]\nKnownPeers = {{127.0.0.1}}\nSessionID = test-{uuid.uuid4().hex[:8]}\n"
)
os.environ["LSLAPICFG"] = str(_config)
for _name in ("DISPLAY", "WAYLAND_DISPLAY"):  # tests that open a window bring a screen of their own
    os.environ.pop(_name, None)
for _name in ("SIGINT", "SIGHUP"):  # a shell that starts tests in the background ignores them, and every program that they start
    if hasattr(signal, _name) and signal.getsignal(getattr(signal, _name)) is signal.SIG_IGN:
        signal.signal(getattr(signal, _name), signal.default_int_handler if _name == "SIGINT" else signal.SIG_DFL)

# Property tests draw the same examples every time, and no clock judges them.
settings.register_profile("reproducible", derandomize=True, deadline=None)
settings.load_profile("reproducible")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Tests with a sound card are told by what they ask for, those in need of real time by sound card or stream, so that they can
    be run beside few others."""
    for item in items:
        marker = item.get_closest_marker("timeout")
        usual_s = config.getini("timeout") if marker is None else marker.args[0]
        item.add_marker(pytest.mark.timeout(patience(float(usual_s))), append=False)
        if {"sound_loop", "own_sound_loop", "stereo_sound_loop"} & set(getattr(item, "fixturenames", ())):
            item.add_marker("sound_card")
        if item.get_closest_marker("lsl") or item.get_closest_marker("sound_card"):
            item.add_marker("real_time")


@pytest.fixture
def tmp_path(tmp_path: Path) -> Path:
    """A folder with no other beside it: the sound dose of one person adds up over the sessions of a directory."""
    inner = tmp_path / "t"
    inner.mkdir()
    return inner


def _sound_loop(folder: Path, outputs: int = PORTS) -> Iterator[SoundLoop]:
    if not can_loop():
        if os.environ.get("CI") == "true":
            pytest.fail(MISSING)
        pytest.skip(MISSING)
    loop = SoundLoop(folder, outputs)
    yield loop
    loop.close()


@pytest.fixture(scope="session")
def sound_loop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundLoop]:
    """A sound card whose outputs can be wired to its inputs; one program at a time may be wired."""
    yield from _sound_loop(tmp_path_factory.mktemp("sound-loop"))


@pytest.fixture
def stereo_sound_loop(tmp_path: Path) -> Iterator[SoundLoop]:
    """A card with two outputs."""
    yield from _sound_loop(tmp_path, outputs=2)


@pytest.fixture
def own_sound_loop(tmp_path: Path) -> Iterator[SoundLoop]:
    """One that the test may do harm to."""
    yield from _sound_loop(tmp_path)

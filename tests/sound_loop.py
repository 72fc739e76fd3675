"""A sound card that is none: a JACK server without hardware, and its wires. For tests that send sound through PortAudio.

Programs under test are processes of their own, with `environment`: PortAudio reads it when it is loaded.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO

from tests.slow import patience

try:
    import fcntl
except ImportError:  # Windows, where there is no loop anyhow
    fcntl = None  # type: ignore[assignment]

RATE_HZ, PORTS = 48_000, 4
PERIOD = 1024  # frames; shorter ones are missed on a busy machine
NO_START_SERVER, SERVER_NAME = 0x01, 0x04  # options of jack_client_open
QUIET = ctypes.CFUNCTYPE(None, ctypes.c_char_p)(lambda _: None)  # what libjack would write to standard error
PROGRAMS = ("jackd",)
MISSING = "no jackd, libjack or PortAudio on this machine: sudo apt-get install -y jackd2 libportaudio2"


def can_loop() -> bool:
    """Whether a server can be started here, and PortAudio be loaded."""
    libraries = ("libjack.so.0", "libportaudio.so.2")
    for library in libraries:
        try:
            ctypes.CDLL(library)
        except OSError:
            return False
    return all(shutil.which(program) for program in PROGRAMS)


class SoundLoop:
    """A server with a name of its own, until `close`. Card "system" of PortAudio's JACK, four inputs, four outputs, or fewer of
    these."""

    card = "system"
    period = PERIOD

    def __init__(self, folder: Path, outputs: int = PORTS) -> None:
        self.log, self._outputs = folder / "jackd.log", outputs
        self._client = 0
        self._jack = _library()
        self.name, self._lock = _own_name()
        self._start()
        if not self._connect():
            self.close()
            hint = "where no other server runs, removing /dev/shm/jack-shm-registry may help"
            raise RuntimeError(f"jackd does not start ({hint}). It said: {self.log.read_text()}")

    @property
    def environment(self) -> dict[str, str]:
        return {"JACK_DEFAULT_SERVER": self.name, "JACK_NO_START_SERVER": "1", "JACK_NO_AUDIO_RESERVATION": "1"}

    def _start(self) -> None:
        command = ["jackd", "-n", self.name, "-r", "-S", "-d", "dummy", "-r", str(RATE_HZ), "-p", str(PERIOD)]
        command += ["-C", str(PORTS), "-P", str(self._outputs)]
        if os.geteuid() == 0:
            command = ["nice", "-n", "-10", *command]
        if shutil.which("setpriv"):  # a test run that is killed leaves no server behind
            command = ["setpriv", "--pdeathsig", "TERM", *command]
        with open(self.log, "w") as log:
            self.process = subprocess.Popen(
                command, env=os.environ | self.environment, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT
            )

    def _connect(self) -> bool:
        """Become a client, which sees ports and connects them; whether the server came up."""
        end_s = time.monotonic() + patience(20.0)
        while not self._client and self.process.poll() is None and time.monotonic() < end_s:
            options = NO_START_SERVER | SERVER_NAME
            self._client = self._jack.jack_client_open(b"wires", options, None, self.name.encode()) or 0
            if not self._client:
                time.sleep(0.05)
        return bool(self._client)

    def end(self, number: int) -> None:
        """The server ends by a signal, whoever is connected; this test is not."""
        self._close_client()
        self.process.send_signal(number)
        self.process.wait(patience(10))

    def close(self) -> None:
        self._close_client()
        self.process.terminate()
        try:
            self.process.wait(patience(5))
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._lock.close()

    def _close_client(self) -> None:
        if self._client:
            self._jack.jack_client_close(self._client)
            self._client = 0

    def ports(self) -> list[str]:
        listed = self._jack.jack_get_ports(self._client, None, None, 0)
        names: list[str] = []
        while listed and listed[len(names)]:
            names.append(listed[len(names)].decode())
        if listed:
            self._jack.jack_free(ctypes.cast(listed, ctypes.c_void_p))
        return names

    def wire(self, columns: int = 3, give_up_s: float = 30.0, into: Sequence[int] | None = None) -> None:
        """Connect PortAudio's outputs to its inputs, of whatever program they are, as soon as there are so many of both. `into`:
        number of the input for each output, from 1."""
        end_s = time.monotonic() + patience(give_up_s)
        inputs = list(into or range(1, columns + 1))
        while True:
            ports = self.ports()
            pairs = [
                tuple([port for port in ports if re.fullmatch(rf"PortAudio.*:{end}", port)] for end in ends)
                for ends in ((f"out_{k}", f"in_{to - 1}") for k, to in enumerate(inputs))
            ]
            if all(len(outs) == len(ins) == 1 for outs, ins in pairs):
                break
            assert time.monotonic() < end_s, f"no programs to connect: {ports}"
            time.sleep(0.02)
        for to, ((output,), (port,)) in zip(inputs, pairs, strict=True):
            self._jack.jack_disconnect(self._client, f"system:capture_{to}".encode(), port.encode())
            connected = self._jack.jack_connect(self._client, output.encode(), port.encode())
            assert connected in (0, 17), f"{output} to {port}: {connected}"  # 17: they were already


def _own_name() -> tuple[str, IO[str]]:
    """A name that no other test run uses now. Few of them, used again: JACK keeps a list of eight servers, those that were killed
    among them, and forgets one only when its name comes again."""
    for slot in range(4):
        name = f"quietfloor-tests-{slot}"
        lock = open(Path(tempfile.gettempdir()) / f"{name}.lock", "w")  # noqa: SIM115 - held as long as the server lives
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return name, lock
        lock.close()
    raise RuntimeError("four other test runs on this machine have a sound loop each: wait for one of them")


def _library() -> ctypes.CDLL:
    jack = ctypes.CDLL("libjack.so.0")
    text, pointer = ctypes.c_char_p, ctypes.c_void_p
    jack.jack_client_open.restype, jack.jack_client_open.argtypes = pointer, [text, ctypes.c_int, pointer, text]
    jack.jack_get_ports.restype = ctypes.POINTER(text)
    jack.jack_get_ports.argtypes = [pointer, text, text, ctypes.c_ulong]
    jack.jack_connect.argtypes = jack.jack_disconnect.argtypes = [pointer, text, text]
    jack.jack_free.argtypes = jack.jack_client_close.argtypes = [pointer]
    jack.jack_free.restype = None
    jack.jack_set_error_function(QUIET)
    jack.jack_set_info_function(QUIET)
    return jack

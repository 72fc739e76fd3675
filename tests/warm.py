"""Processes that need no second to begin: a server that has imported numpy and scipy forks them (Linux; elsewhere as usual).

`Popen` is `subprocess.Popen` for commands of this Python, `-m MODULE` or a script. Each is a process of its own, with its own
arguments, folder, environment, pipes, signals and exit status; whatever it imports of this project it imports itself.
"""

from __future__ import annotations

import gc
import importlib
import io
import json
import os
import runpy
import select
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

LIBRARIES = ("numpy", "scipy.signal", "scipy.stats", "scipy.optimize", "scipy.fft", "pydantic", "threadpoolctl")
# With another one the interpreter or a library would begin differently.
KNOWN = ("PYTHONUNBUFFERED", "PYTHONPATH")
MOST_BYTES = 1 << 20


class Popen(subprocess.Popen[str]):
    """As subprocess.Popen. Only text pipes are in use here."""

    _status: int | None = None

    def _execute_child(self, args: Any, *others: Any) -> None:
        # Positions as in subprocess of Python 3.11 to 3.13: ..., cwd, env, ..., shell, p2cread, p2cwrite, c2pread, ...
        cwd, env, pipes = others[4], others[5], others[9:15]
        special = any(others[at] for at in (1, 3, 8, 20))  # preexec_fn, pass_fds, shell, start_new_session
        words = None if special or not sys.platform.startswith("linux") else _understood(args, env)
        if words is None:
            super()._execute_child(args, *others)  # type: ignore[misc]
            return
        self.args = args
        ours, theirs = os.pipe()
        try:
            given = (pipes[0], pipes[3], pipes[5])
            fds = [number if fd == -1 else fd for number, fd in enumerate(given)]
            request = {"words": words, "cwd": os.fspath(cwd or os.getcwd()), "env": dict(env or os.environ)}
            self.pid = _server().start(request, [*fds, theirs])
        finally:
            os.close(theirs)
            self._close_pipe_fds(*pipes)  # type: ignore[attr-defined]
        self._status, self._child_created = ours, True

    def _internal_poll(self, *words: Any, **named: Any) -> int | None:
        if self._status is None:
            return super()._internal_poll(*words, **named)  # type: ignore[misc, no-any-return]
        return self._ended(0.0)

    def _wait(self, timeout: float | None) -> int:
        if self._status is None:
            return super()._wait(timeout)  # type: ignore[misc, no-any-return]
        if self._ended(timeout) is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        assert self.returncode is not None
        return self.returncode

    def _ended(self, timeout_s: float | None) -> int | None:
        assert self._status is not None
        if self.returncode is None and select.select([self._status], [], [], timeout_s)[0]:
            said = os.read(self._status, 4)
            if said:
                os.close(self._status)
                self.returncode = os.waitstatus_to_exitcode(int.from_bytes(said, "little"))
        return self.returncode


def run(
    args: list[str],
    *,
    input: str | None = None,
    timeout: float | None = None,
    check: bool = False,
    capture_output: bool = False,
    **options: Any,
) -> subprocess.CompletedProcess[str]:
    """As subprocess.run."""
    if input is not None:
        options["stdin"] = subprocess.PIPE
    if capture_output:
        options |= {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with Popen(args, **options) as process:
        try:
            out, err = process.communicate(input, timeout)
        except BaseException:
            process.kill()
            raise
    done = subprocess.CompletedProcess(args, process.returncode, out, err)
    if check:
        done.check_returncode()
    return done


def _understood(args: Any, env: Any) -> list[str] | None:
    """The words after this Python, or None where it must begin in the usual way."""
    if not isinstance(args, list) or args[0] != sys.executable:
        return None
    words = [os.fspath(word) for word in args[1:]]
    if words[:1] == ["-P"]:
        words = words[1:]
    module = words[:1] == ["-m"] and not words[1].startswith(("pytest", "tests.repeat", "tests.all"))
    if not module and not words[0].endswith(".py"):
        return None
    wanted, have = (dict(os.environ) if env is None else env), os.environ
    names = {name for name in (*wanted, *have) if name.startswith(("PYTHON", "OPENBLAS", "OMP_", "MKL_")) and name not in KNOWN}
    return words if all(wanted.get(name) == have.get(name) for name in names) else None


class Server:
    """The process that forks; it ends with this one."""

    def __init__(self) -> None:
        self._socket, other = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._lock = threading.Lock()
        command = [sys.executable, "-m", "tests.warm", str(other.fileno())]
        root = Path(__file__).resolve().parents[1]  # where `tests` is found, wherever the test is that begins the first process
        self._process = subprocess.Popen(command, pass_fds=[other.fileno()], cwd=root)
        other.close()

    def start(self, request: dict[str, Any], fds: list[int]) -> int:
        with self._lock:
            socket.send_fds(self._socket, [json.dumps(request).encode()], fds)
            return int(self._socket.recv(100))


_servers: dict[int, Server] = {}
_first = threading.Lock()


def _server() -> Server:
    with _first:
        if os.getpid() not in _servers:
            _servers[os.getpid()] = Server()
        return _servers[os.getpid()]


# -- the other side ----------------------------------------------------------------------------------------------------


def serve(number: int) -> None:
    for name in LIBRARIES:
        importlib.import_module(name)
    gc.freeze()
    requests = socket.socket(fileno=number)
    while True:
        said, fds, *_ = socket.recv_fds(requests, MOST_BYTES, 4)
        if not said:
            return
        if os.fork() == 0:
            _watch(json.loads(said), fds, requests)
        for fd in fds:
            os.close(fd)
        while _reap():
            pass


def _reap() -> bool:
    try:
        return os.waitpid(-1, os.WNOHANG)[0] != 0
    except ChildProcessError:
        return False


def _watch(request: dict[str, Any], fds: list[int], requests: socket.socket) -> None:
    """The parent of the wanted process: says its number and how it ended."""
    child = os.fork()
    if child == 0:
        requests.close()
        os.close(fds[3])
        _become(request, fds[:3])
    requests.send(str(child).encode())
    requests.close()
    for fd in fds[:3]:
        os.close(fd)
    _, status = os.waitpid(child, 0)
    os.write(fds[3], status.to_bytes(4, "little"))
    os._exit(0)


def _become(request: dict[str, Any], fds: list[int]) -> None:
    for number, fd in enumerate(fds):
        os.dup2(fd, number)
    for fd in fds:
        os.close(fd)
    os.environ.clear()
    os.environ.update(request["env"])
    os.chdir(request["cwd"])
    words, unbuffered = request["words"], bool(os.environ.get("PYTHONUNBUFFERED"))
    sys.stdin = sys.__stdin__ = io.TextIOWrapper(io.BufferedReader(io.FileIO(0)), encoding="utf-8")  # type: ignore[misc]
    for number, name in ((1, "stdout"), (2, "stderr")):
        file = io.TextIOWrapper(
            io.BufferedWriter(io.FileIO(number, "w")), encoding="utf-8", errors="backslashreplace" if number == 2 else "strict",
            line_buffering=number == 2, write_through=unbuffered,
        )  # fmt: skip
        setattr(sys, name, file)
        setattr(sys, f"__{name}__", file)
    paths = [*filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    sys.path[:0] = [path for path in paths if path not in sys.path]
    if words[0] == "-m":
        sys.argv = words[1:]
        runpy.run_module(words[1], run_name="__main__", alter_sys=True)
    else:
        sys.argv = words
        sys.path.insert(0, str(Path(words[0]).parent))
        runpy.run_path(words[0], run_name="__main__")
    sys.exit(0)


if __name__ == "__main__":
    serve(int(sys.argv[1]))

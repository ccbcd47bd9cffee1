"""A program stopped before every system call that changes something in a folder or on a socket.

By seccomp and ptrace, which Linux has without any package. What a call would change is not changed
yet when it is stopped: what lies there then is what a kill between two calls leaves.
"""

from __future__ import annotations

import ctypes
import os
import platform
import signal
import struct
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

Work = Callable[[], object]
Seen = Callable[[int, "Call"], bool]

# Number of each call by machine (asm/unistd.h), and which argument says what it changes: a
# descriptor, a path, or a path after the descriptor of the folder it starts from.
FD, AT, PATH = "descriptor", "path at", "path"
CALLS = {
    "write": (1, 64, FD, 0),
    "pwrite64": (18, 68, FD, 0),
    "writev": (20, 66, FD, 0),
    "sendfile": (40, 71, FD, 0),
    "sendto": (44, 206, FD, 0),
    "copy_file_range": (326, 285, FD, 2),
    "ftruncate": (77, 46, FD, 0),
    "fallocate": (285, 47, FD, 0),
    "fsync": (74, 82, FD, 0),
    "fdatasync": (75, 83, FD, 0),
    "fchmod": (91, 52, FD, 0),
    "open": (2, None, PATH, 0),
    "truncate": (76, 45, PATH, 0),
    "mkdir": (83, None, PATH, 0),
    "rmdir": (84, None, PATH, 0),
    "unlink": (87, None, PATH, 0),
    "chmod": (90, None, PATH, 0),
    "rename": (82, None, PATH, 1),
    "link": (86, None, PATH, 1),
    "symlink": (88, None, PATH, 1),
    "openat": (257, 56, AT, 1),
    "mkdirat": (258, 34, AT, 1),
    "unlinkat": (263, 35, AT, 1),
    "fchmodat": (268, 53, AT, 1),
    "renameat": (264, 38, AT, 3),
    "renameat2": (316, 276, AT, 3),
    "linkat": (265, 37, AT, 3),
    "symlinkat": (266, 36, AT, 2),
}
CHANGING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC  # flags of an open that is seen
MACHINES = {"x86_64": 0, "aarch64": 1}
AT_CWD = -100

# linux/prctl.h, seccomp.h, bpf_common.h, ptrace.h
NO_NEW_PRIVILEGES, SET_SECCOMP, MODE_FILTER, ALLOW, TRACE = 38, 22, 2, 0x7FFF0000, 0x7FF00000
LOAD, JUMP_IF_EQUAL, JUMP_IF_SET, RETURN = 0x20, 0x15, 0x45, 0x06
TRACEME, CONTINUE, SET_OPTIONS, GET_SYSCALL_INFO = 0, 7, 0x4200, 0x420E
TRACE_SECCOMP, EXIT_KILL, EVENT_SECCOMP = 0x80, 0x100000, 7
INFO = "=BxxxI2Q7Q"  # struct ptrace_syscall_info at such a stop: ... number of the call, arguments


@dataclass(frozen=True)
class Call:
    """One that is about to change ``what``."""

    name: str
    what: str


def traced(work: Work, seen: Seen, root: Path, *, sockets: bool = False) -> int:
    """The exit code of ``work`` in a child, or minus the signal that ended it.

    ``seen`` is called before the n-th call, from 0, that changes something under ``root`` or, with
    ``sockets``, sends something; if it answers True, the child is killed there. What is done by
    children and threads of the child is not seen.
    """
    if sys.platform != "linux" or platform.machine() not in MACHINES:
        pytest.skip("programs are stopped at system calls on Linux alone, x86_64 or aarch64")
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, 1)
            os.dup2(null, 2)
            if _ptrace(TRACEME) == 0:
                os.kill(os.getpid(), signal.SIGSTOP)
                if _stop_at_calls():
                    answer = work()
                    code = answer if isinstance(answer, int) else 0
        finally:
            os._exit(code)
    _, status = os.waitpid(pid, 0)
    if not os.WIFSTOPPED(status):
        pytest.skip("programs may not be traced here")
    try:
        return _followed(pid, seen, os.fspath(root), sockets)
    except BaseException:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        raise


def _stop_at_calls() -> bool:
    """Let the tracer be asked before each of `CALLS`, and not at all the others."""
    steps = [(LOAD, 0, 0, 0)]
    for name, numbers in CALLS.items():
        number = numbers[MACHINES[platform.machine()]]
        if number is None:
            continue
        steps.append((JUMP_IF_EQUAL, 0, 1, number))
        if name in ("open", "openat"):  # the latter's flags are what stands third
            steps[-1] = (JUMP_IF_EQUAL, 0, 4, number)
            steps.append((LOAD, 0, 0, 16 + 8 * (1 if name == "open" else 2)))
            steps += [(JUMP_IF_SET, 0, 1, CHANGING), (RETURN, 0, 0, TRACE), (RETURN, 0, 0, ALLOW)]
        else:
            steps.append((RETURN, 0, 0, TRACE))
    steps.append((RETURN, 0, 0, ALLOW))
    code = ctypes.create_string_buffer(b"".join(struct.pack("=HBBI", *step) for step in steps))
    program = struct.pack("@HP", len(steps), ctypes.addressof(code))
    libc = ctypes.CDLL(None)
    done = libc.prctl(NO_NEW_PRIVILEGES, 1, 0, 0, 0)
    return done == 0 == libc.prctl(SET_SECCOMP, MODE_FILTER, ctypes.c_char_p(program))


def _followed(pid: int, seen: Seen, root: str, sockets: bool) -> int:
    column = MACHINES[platform.machine()]
    by_number = {row[column]: (name, *row[2:]) for name, row in CALLS.items()}
    _ptrace(SET_OPTIONS, pid, 0, TRACE_SECCOMP | EXIT_KILL)
    info = ctypes.create_string_buffer(struct.calcsize(INFO))
    n, signalled = 0, 0
    while True:
        _ptrace(CONTINUE, pid, 0, signalled)
        _, status = os.waitpid(pid, 0)
        if not os.WIFSTOPPED(status):
            return os.waitstatus_to_exitcode(status)
        signalled = 0
        if status >> 16 != EVENT_SECCOMP:
            stopped = os.WSTOPSIG(status)
            signalled = 0 if stopped == signal.SIGTRAP else stopped  # it became another program
            continue
        _ptrace(GET_SYSCALL_INFO, pid, len(info), ctypes.addressof(info))
        *_, number, one, two, three, four, five, six = struct.unpack(INFO, info.raw)
        what = _changed(pid, (one, two, three, four, five, six), by_number[number])
        inside = what == root or what.startswith(root + "/")
        if inside or (sockets and what.startswith("socket:")):
            name = by_number[number][0]
            if seen(n, Call(name, what[len(root) + 1 :] if inside else "socket")):
                os.kill(pid, signal.SIGKILL)
            n += 1


def _changed(pid: int, arguments: tuple[int, ...], row: tuple[str, str, int]) -> str:
    """The path of what a call is about to change."""
    _, kind, at = row
    here = f"/proc/{pid}"

    def opened(argument: int) -> str:
        descriptor = ctypes.c_int(argument & 0xFFFFFFFF).value
        try:
            return os.readlink(f"{here}/cwd" if descriptor == AT_CWD else f"{here}/fd/{descriptor}")
        except OSError:
            return ""

    if kind == FD:
        return opened(arguments[at])
    with open(f"{here}/mem", "rb", buffering=0) as memory:
        memory.seek(arguments[at])
        path = os.fsdecode(memory.read(4096).split(b"\0", 1)[0])
    start = opened(arguments[at - 1] if kind == AT else AT_CWD)
    return os.path.normpath(os.path.join(start, path))


def _ptrace(request: int, pid: int = 0, address: int = 0, data: int = 0) -> int:
    libc = ctypes.CDLL(None, use_errno=True)
    libc.ptrace.restype = ctypes.c_long
    libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
    return libc.ptrace(request, pid, address, data)

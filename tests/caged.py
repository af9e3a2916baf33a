"""`python -m tests.caged UNIT PROGRAM...`: runs a program under a unit's system call and address family filters.

As systemd sets them up (systemd.exec(5)), by libseccomp and systemd's own lists of calls, without capabilities and with
the unit's umask. What a unit does with mounts and devices is not done here.
"""

import ctypes
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

ALLOW, REFUSE = 0x7FFF0000, 0x00050000 | 1
"""SCMP_ACT_ALLOW; SCMP_ACT_ERRNO(EPERM), for SystemCallErrorNumber=EPERM."""

EQUAL = 4
"""SCMP_CMP_EQ."""

PR_CAPBSET_DROP = 24


AF_BLUETOOTH = 31
"""Of linux/socket.h; Python lacks the name where it was built without Bluetooth's headers."""


class Comparison(ctypes.Structure):
    """struct scmp_arg_cmp."""

    _fields_ = (
        ("arg", ctypes.c_uint),
        ("op", ctypes.c_int),
        ("a", ctypes.c_uint64),
        ("b", ctypes.c_uint64),
    )


def values(unit: Path, key: str) -> list[str]:
    """What stands after each `key=` of the unit, in order."""
    lines = unit.read_text().splitlines()
    return [line.removeprefix(f"{key}=") for line in lines if line.startswith(f"{key}=")]


def calls(name: str, sets: dict[str, list[str]]) -> Iterator[str]:
    """The calls that `name` stands for."""
    if name.startswith("@"):
        for each in sets[name]:
            yield from calls(each, sets)
    else:
        yield name


def allowed(unit: Path) -> set[str]:
    """The calls that the unit's SystemCallFilter= lines leave."""
    listed = subprocess.run(["systemd-analyze", "syscall-filter"], capture_output=True, text=True, check=True).stdout
    sets: dict[str, list[str]] = {}
    for line in listed.splitlines():
        if line.startswith("@"):
            members = sets.setdefault(line.strip(), [])
        elif line.strip() and not line.strip().startswith("#"):
            members.append(line.strip())
    left = set(calls("@default", sets))
    for line in values(unit, "SystemCallFilter"):
        named = {call for name in line.lstrip("~").split() for call in calls(name, sets)}
        left = left - named if line.startswith("~") else left | named
    return left


def load(unit: Path) -> None:
    """Put this process under the unit's filters, for good."""
    lib = ctypes.CDLL("libseccomp.so.2", use_errno=True)
    lib.seccomp_init.restype = ctypes.c_void_p
    context = ctypes.c_void_p(lib.seccomp_init(REFUSE))
    (families,) = values(unit, "RestrictAddressFamilies")
    for call in allowed(unit):
        number = lib.seccomp_syscall_resolve_name(call.encode())
        if number == -1:
            continue
        if call == "socket":
            for family in families.split():
                one = Comparison(0, EQUAL, int(getattr(socket, family, AF_BLUETOOTH)), 0)
                assert lib.seccomp_rule_add_array(context, ALLOW, number, 1, ctypes.byref(one)) == 0
        else:
            lib.seccomp_rule_add(context, ALLOW, number, 0)
    assert lib.seccomp_load(context) == 0


def main() -> None:
    unit, command = Path(sys.argv[1]), sys.argv[2:]
    (umask,) = values(unit, "UMask")
    os.umask(int(umask, 8))
    libc = ctypes.CDLL(None, use_errno=True)
    for capability in range(64):
        libc.prctl(PR_CAPBSET_DROP, capability, 0, 0, 0)
    load(unit)
    os.execvp(command[0], command)


if __name__ == "__main__":
    main()

"""The unit's sandbox without systemd as the first process: the same keys, carried out by kernel calls of our own.

    unshare --mount --pid --ipc --kill-child python -m tests.daemon.sandbox UNIT STATE CREDENTIALS -- COMMAND…

Reads the unit file and does what its keys say: read-only file system but for the state folder, hidden homes, private /tmp
and /dev, processes of others invisible, a user of its own without capabilities, and system calls filtered by the sets
that `systemd-analyze syscall-filter` prints. What can't be done from here is in `NOT_DONE`; a key that is in neither
list is an error, so that nothing new in the unit goes untested unnoticed.
"""

import argparse
import ctypes
import errno
import os
import re
import subprocess
import sys
from pathlib import Path

USER = 61_184
"""First of the range from which DynamicUser= takes its users (systemd.exec(5))."""
DONE = frozenset(
    [
        "NoNewPrivileges",
        "CapabilityBoundingSet",
        "AmbientCapabilities",
        "ProtectSystem",
        "ProtectHome",
        "PrivateTmp",
        "ProtectKernelTunables",
        "ProtectProc",
        "ProcSubset",
        "LockPersonality",
        "MemoryDenyWriteExecute",
        "RestrictRealtime",
        "RestrictSUIDSGID",
        "RestrictNamespaces",
        "RestrictAddressFamilies",
        "SystemCallFilter",
        "SystemCallErrorNumber",
        "DynamicUser",
        "StateDirectory",
        "UMask",
        "DevicePolicy",
        "DeviceAllow",
        "RemoveIPC",
        "WorkingDirectory",
    ]
)
NOT_DONE = frozenset(
    # cgroups; what no capability is left for anyway; names of the machine; priorities; the manager's own affairs
    [
        "MemoryHigh",
        "MemoryMax",
        "TasksMax",
        "ProtectControlGroups",
        "ProtectKernelModules",
        "ProtectKernelLogs",
        "ProtectClock",
        "ProtectHostname",
        "PrivateUsers",
        "SystemCallArchitectures",
        "SupplementaryGroups",
        "Nice",
        "OOMPolicy",
        "OOMScoreAdjust",
        "StateDirectoryMode",
        "Type",
        "NotifyAccess",
        "ExecStart",
        "ExecReload",
        "Environment",
        "Restart",
        "RestartSec",
        "WatchdogSec",
        "TimeoutStartSec",
        "TimeoutStopSec",
    ]
)
DEVICES = ("null", "zero", "full", "random", "urandom")
"""What `DevicePolicy=closed` leaves (systemd.resource-control(5))."""
PLACE = Path("/mnt")
_LIBC = ctypes.CDLL(None, use_errno=True)
_RDONLY, _NOSUID, _REMOUNT, _BIND, _REC, _PRIVATE, _MOVE = 1, 2, 32, 4096, 16_384, 1 << 18, 8192
_ALLOW, _ERRNO = 0x7FFF0000, 0x00050000
_EQ, _MASKED_EQ, _GT = 4, 7, 6


class _Argument(ctypes.Structure):
    """`struct scmp_arg_cmp` of seccomp_rule_add(3)."""

    _fields_ = (
        ("number", ctypes.c_uint),
        ("how", ctypes.c_int),
        ("one", ctypes.c_uint64),
        ("other", ctypes.c_uint64),
    )


def main() -> None:
    """Build the sandbox and become the command."""
    parser = argparse.ArgumentParser()
    parser.add_argument("unit", type=Path)
    parser.add_argument("state", type=Path)
    parser.add_argument("credentials", type=Path)
    parser.add_argument("--serial", type=Path, help="a terminal that stands in for /dev/ttyUSB0")
    parser.add_argument("command", nargs="+")
    options = parser.parse_args()
    keys = read_keys(options.unit)
    unknown = keys.keys() - DONE - NOT_DONE
    if unknown:
        raise SystemExit(f"sandbox.py does not know what these keys of the unit do: {sorted(unknown)}")
    sets = _syscall_sets()
    _mounts(options.state, options.credentials, options.serial)
    _drop_everything()
    _filter(keys, sets)
    os.chdir(PLACE / "state")
    os.execvp(options.command[0], options.command)


def read_keys(unit: Path) -> dict[str, list[str]]:
    """Return the keys of the unit's [Service] section with all their values."""
    found: dict[str, list[str]] = {}
    section = unit.read_text().partition("[Service]")[2].partition("\n[")[0]
    for key, value in re.findall(r"^(\w+)=(.*)$", section, flags=re.MULTILINE):
        found.setdefault(key, []).append(value)
    return found


# -- files -------------------------------------------------------------------------------------------------------------


def _mount(source: str, target: Path | str, kind: str, flags: int, data: str = "") -> None:
    if _LIBC.mount(source.encode(), str(target).encode(), kind.encode(), flags, data.encode()) != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"mount {kind or source} on {target}: {os.strerror(number)}")


def _mounts(state: Path, credentials: Path, serial: Path | None) -> None:
    """Lay the service's view of the files over ours, in a mount namespace that `unshare` has made."""
    _mount("", "/", "", _REC | _PRIVATE)
    _mount("tmpfs", PLACE, "tmpfs", 0, "mode=755")
    kept = {"state": state, "credentials": credentials}
    for name, path in kept.items():
        (PLACE / name).mkdir()
        _mount(str(path), PLACE / name, "", _BIND)
        _own(path)
    _devices(serial)
    needed = _needed()
    for number, path in enumerate(needed):
        stage = PLACE / f"stage-{number}"
        stage.mkdir()
        _mount(str(path), stage, "", _BIND | _REC)
    tops = {
        "/root",
        "/home",
        "/tmp",
        "/var/tmp",
        *(f"/{path.parts[1]}" for path in needed if not _open_to_all(path)),
    }
    for top in sorted(tops):
        if Path(top).is_dir():
            _mount("tmpfs", top, "tmpfs", _NOSUID, "mode=1777" if top.endswith("tmp") else "mode=755")
    for number, path in enumerate(needed):
        path.mkdir(parents=True, exist_ok=True)
        _mount(str(PLACE / f"stage-{number}"), path, "", _BIND | _REC)
    _mount("proc", "/proc", "proc", _NOSUID, "subset=pid,hidepid=invisible")
    _read_only({"/proc", "/dev", "/tmp", "/var/tmp", str(PLACE / "state")})


def _needed() -> list[Path]:
    """Return the folders that the program itself consists of: in a real installation they stand under /opt and /usr."""
    checkout = Path(__file__).parents[2]
    paths = {Path(sys.prefix).resolve(), Path(sys.base_prefix).resolve(), checkout.resolve()}
    inner = {path for path in paths if any(other in path.parents for other in paths)}
    return sorted(path for path in paths - inner if path.parts[1] != "usr")


def _open_to_all(path: Path) -> bool:
    hidden = ("/root", "/home", "/tmp")
    return not str(path).startswith(hidden) and all(
        p.stat().st_mode & 0o005 == 0o005 for p in (path, *path.parents)
    )


def _own(path: Path) -> None:
    for each in (path, *path.rglob("*")):
        os.chown(each, USER, USER)


def _devices(serial: Path | None) -> None:
    stage = PLACE / "dev"
    stage.mkdir()
    _mount("tmpfs", stage, "tmpfs", _NOSUID, "mode=755")
    for name in (*DEVICES, *(["ttyUSB0"] if serial is not None else [])):
        (stage / name).touch()
        source = serial if name == "ttyUSB0" and serial is not None else Path("/dev", name)
        _mount(str(source), stage / name, "", _BIND)
    if serial is not None:
        os.chown(serial, USER, USER)
    (stage / "shm").mkdir(mode=0o1777)
    _mount("tmpfs", stage / "shm", "tmpfs", _NOSUID, "mode=1777")
    _mount(str(stage), "/dev", "", _BIND | _REC)


def _read_only(but: set[str]) -> None:
    """Make every mount read-only that is not named or below what is named."""
    points = [line.split()[4] for line in Path("/proc/self/mountinfo").read_text().splitlines()]
    for point in sorted(set(points), key=len):
        if not any(point == one or point.startswith(f"{one}/") for one in but):
            try:
                _mount("", point, "", _REMOUNT | _BIND | _RDONLY)
            except OSError as error:  # covered by a mount over it, or one that may not be changed
                if error.errno not in (errno.EINVAL, errno.EPERM, errno.ENOENT):
                    raise


# -- rights ------------------------------------------------------------------------------------------------------------


def _drop_everything() -> None:
    """Become a user without capabilities who can gain none (prctl(2): 24 is PR_CAPBSET_DROP, 38 NO_NEW_PRIVS)."""
    os.umask(0o077)
    for capability in range(64):
        _LIBC.prctl(24, capability, 0, 0, 0)
    os.setgroups([])
    os.setresgid(USER, USER, USER)
    os.setresuid(USER, USER, USER)
    if _LIBC.prctl(38, 1, 0, 0, 0) != 0:
        raise OSError("no_new_privs can't be set")


def _syscall_sets() -> dict[str, list[str]]:
    """Return systemd's own sets of system calls."""
    text = subprocess.run(
        ["systemd-analyze", "syscall-filter"], capture_output=True, text=True, check=True
    ).stdout
    found: dict[str, list[str]] = {}
    name = ""
    for line in text.splitlines():
        if line.startswith("@"):
            name = line.strip()
            found[name] = []
        elif line.strip() and not line.strip().startswith("#") and name:
            found[name].append(line.strip())
    return found


def _expanded(name: str, sets: dict[str, list[str]]) -> set[str]:
    if not name.startswith("@"):
        return {name}
    return {call for item in sets[name] for call in _expanded(item, sets)}


def allowed_calls(lines: list[str], sets: dict[str, list[str]]) -> set[str]:
    """Return what `SystemCallFilter=` lines leave: the first is a list of what is allowed, ~ takes away."""
    found = _expanded("@default", sets)
    for line in lines:
        named = {call for word in line.removeprefix("~").split() for call in _expanded(word, sets)}
        found = found - named if line.startswith("~") else found | named
    return found


class _Filter:
    """One filter of libseccomp; all that are loaded count, the strictest answer wins (seccomp(2))."""

    def __init__(self, default: int) -> None:
        self._library = ctypes.CDLL("libseccomp.so.2")
        self._library.seccomp_init.restype = ctypes.c_void_p
        self._context = ctypes.c_void_p(self._library.seccomp_init(ctypes.c_uint32(default)))

    def rule(self, action: int, call: str, *arguments: tuple[int, int, int, int]) -> None:
        number = self._library.seccomp_syscall_resolve_name(call.encode())
        if number < 0:
            return  # not a call of this machine's kind
        array = (_Argument * max(len(arguments), 1))(*(_Argument(*argument) for argument in arguments))
        result = self._library.seccomp_rule_add_array(
            self._context, ctypes.c_uint32(action), number, len(arguments), array
        )
        if result != 0:
            raise OSError(-result, f"a rule for {call}")

    def load(self) -> None:
        result = self._library.seccomp_load(self._context)
        if result != 0:
            raise OSError(-result, "the filter can't be loaded")


def _filter(keys: dict[str, list[str]], sets: dict[str, list[str]]) -> None:
    """Load what systemd loads: one filter for each key that restricts system calls, the list of the allowed last."""
    refuse = _ERRNO | errno.EPERM
    _restricted(refuse).load()
    _families(keys["RestrictAddressFamilies"][-1].split()).load()
    known = _Filter(refuse)
    for call in sorted(allowed_calls(keys["SystemCallFilter"], sets)):
        known.rule(_ALLOW, call)
    known.load()


def _restricted(refuse: int) -> _Filter:
    """MemoryDenyWriteExecute, RestrictNamespaces, RestrictSUIDSGID, RestrictRealtime, LockPersonality (systemd.exec(5))."""
    found = _Filter(_ALLOW)
    write, run = 2, 4
    found.rule(refuse, "mmap", (2, _MASKED_EQ, write | run, write | run))
    for call in ("mprotect", "pkey_mprotect"):
        found.rule(refuse, call, (2, _MASKED_EQ, run, run))
    found.rule(refuse, "shmat", (2, _MASKED_EQ, 0o100000, 0o100000))
    for kind in (0x00020000, 0x02000000, 0x04000000, 0x08000000, 0x10000000, 0x20000000, 0x40000000):
        found.rule(refuse, "clone", (0, _MASKED_EQ, kind, kind))
        found.rule(refuse, "unshare", (0, _MASKED_EQ, kind, kind))
    found.rule(_ERRNO | errno.ENOSYS, "clone3")
    found.rule(refuse, "setns")
    for bit in (0o4000, 0o2000):
        for call, place in (
            ("chmod", 1),
            ("fchmod", 1),
            ("fchmodat", 2),
            ("mkdir", 1),
            ("mkdirat", 2),
            ("open", 2),
        ):
            found.rule(refuse, call, (place, _MASKED_EQ, bit, bit))
        found.rule(refuse, "openat", (3, _MASKED_EQ, bit, bit))
    found.rule(refuse, "sched_setscheduler", (1, _EQ, 1, 0))
    found.rule(refuse, "sched_setscheduler", (1, _EQ, 2, 0))
    found.rule(refuse, "personality", (0, _GT, 0, 0))
    return found


def _families(names: list[str]) -> _Filter:
    import socket

    allowed = {int(getattr(socket, name)) for name in names}
    found = _Filter(_ALLOW)
    for family in range(max(allowed) + 1, 46):
        found.rule(_ERRNO | errno.EAFNOSUPPORT, "socket", (0, _EQ, family, 0))
    for family in set(range(max(allowed))) - allowed:
        found.rule(_ERRNO | errno.EAFNOSUPPORT, "socket", (0, _EQ, family, 0))
    return found


if __name__ == "__main__":
    main()

"""The little of the FUSE protocol that serves one file (linux/fuse.h, protocol 7.31), spoken to /dev/fuse itself."""

import ctypes
import errno
import os
import struct
from collections.abc import Callable
from pathlib import Path

ROOT, FILE = 1, 2
NAME = b"disk"
MOST_WRITTEN = 128 * 1024
_LOOKUP, _FORGET, _GETATTR, _SETATTR, _OPEN, _READ, _WRITE, _STATFS, _RELEASE = 1, 2, 3, 4, 14, 15, 16, 17, 18
_FSYNC, _FLUSH, _INIT, _OPENDIR, _RELEASEDIR, _ACCESS = 20, 25, 26, 27, 29, 34
_INTERRUPT, _DESTROY, _BATCH_FORGET = 36, 38, 42
_HEADER = struct.Struct("<IIQQIIII")
_ANSWER = struct.Struct("<IiQ")
_UNANSWERED = (_FORGET, _BATCH_FORGET, _INTERRUPT)


class Refused(Exception):
    """An error number for the kernel."""

    def __init__(self, number: int) -> None:
        super().__init__(os.strerror(number))
        self.number = number


def mount(place: Path) -> int:
    """Mount a file system at a folder and return the handle that its requests come through. Needs root."""
    handle = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
    options = f"fd={handle},rootmode=40000,user_id={os.getuid()},group_id={os.getgid()},allow_other"
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(b"disk", str(place).encode(), b"fuse", 0, options.encode()) != 0:
        number = ctypes.get_errno()
        os.close(handle)
        raise OSError(number, f"mounting failed: {os.strerror(number)}")
    return handle


class OneFile:
    """Answers the kernel about a file system that holds one file of fixed size.

    Parameters
    ----------
    read, write, sync
        What the file does; each may raise `Refused`.
    """

    def __init__(
        self,
        size: int,
        read: Callable[[int, int], bytes],
        write: Callable[[int, bytes], None],
        sync: Callable[[], None],
    ) -> None:
        self._size = size
        self._read = read
        self._write = write
        self._sync = sync

    def serve_one(self, handle: int) -> bool:
        """Answer one request; return False when the file system is gone."""
        try:
            request = os.read(handle, MOST_WRITTEN + 4096)
        except OSError as error:
            return error.errno in (errno.EINTR, errno.ENOENT)  # interrupted before it was read
        _, opcode, unique, node, _, _, _, _ = _HEADER.unpack_from(request)
        if opcode in _UNANSWERED:
            return True
        try:
            number, body = 0, self._answer(opcode, node, request[_HEADER.size :])
        except Refused as error:
            number, body = error.number, b""
        os.write(handle, _ANSWER.pack(_ANSWER.size + len(body), -number, unique) + body)
        return bool(opcode != _DESTROY)

    def _answer(self, opcode: int, node: int, body: bytes) -> bytes:
        if opcode == _INIT:
            # no flags asked for but big writes (1 << 5); 64 requests in the background
            return struct.pack("<IIIIHHIIHH32x", 7, 31, 65536, 1 << 5, 64, 48, MOST_WRITTEN, 1, 0, 0)
        if opcode == _LOOKUP:
            if body.rstrip(b"\0") != NAME:
                raise Refused(errno.ENOENT)
            return struct.pack("<QQQQII", FILE, 0, 3600, 3600, 0, 0) + self._attributes(FILE)
        if opcode in (_GETATTR, _SETATTR):
            return struct.pack("<QII", 3600, 0, 0) + self._attributes(node)
        if opcode in (_OPEN, _OPENDIR):
            return struct.pack("<QII", 0, 0, 0)
        if opcode == _READ:
            _, offset, size = struct.unpack_from("<QQI", body)
            return self._read(offset, size)
        if opcode == _WRITE:
            _, offset, size = struct.unpack_from("<QQI", body)
            self._write(offset, body[40 : 40 + size])
            return struct.pack("<II", size, 0)
        if opcode == _FSYNC:
            self._sync()
            return b""
        if opcode == _STATFS:
            return struct.pack("<QQQQQIIII24x", self._size // 512, 0, 0, 2, 0, 512, 255, 512, 0)
        if opcode in (_RELEASE, _RELEASEDIR, _FLUSH, _ACCESS, _DESTROY):
            return b""
        raise Refused(errno.ENOSYS)

    def _attributes(self, node: int) -> bytes:
        mode, size = (0o100600, self._size) if node == FILE else (0o40700, 0)
        return struct.pack(
            "<QQQQQQIIIIIIIIII", node, size, size // 512, 0, 0, 0, 0, 0, 0, mode, 1, 0, 0, 0, 4096, 0
        )

"""What the C library is told about keeping memory, seen in a process of its own."""

import platform
import subprocess
import sys

THREADS = """
import ctypes, sys, threading
from ullage.daemon.allocator import keep_little
if sys.argv[1] == "little":
    keep_little()
meet = threading.Barrier(6)
def work():
    for _ in range(200):
        held = [bytearray(5000) for _ in range(20)]
    meet.wait(30)
threads = [threading.Thread(target=work) for _ in range(6)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
ctypes.CDLL(None).malloc_stats()
"""


def arenas(how: str) -> int:
    """Return how many arenas a process has after six threads have allocated."""
    done = subprocess.run(
        [sys.executable, "-c", THREADS, how], capture_output=True, text=True, check=True, timeout=60
    )
    return done.stderr.count("Arena ")


def test_threads_share_one_arena() -> None:
    """Six threads that allocate leave one arena, where they would have left several."""
    assert platform.libc_ver()[0] == "glibc", "what is tested here are glibc's parameters"
    assert arenas("little") == 1
    assert arenas("as it comes") > 1

"""Two daemons on one database file."""

import fcntl
import os
import signal
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from ullage.adapters.errors import StoreError
from ullage.daemon.store.file_lock import FileLock, is_held

HOLD = """
import sys, time
from ullage.daemon.store.file_lock import FileLock
lock = FileLock(sys.argv[1])
print("held", flush=True)
time.sleep(600)
"""


def test_the_second_is_refused_until_the_first_lets_go(tmp_path: Path) -> None:
    """One plain sentence that says what to do; afterwards the lock is free, and its file is nobody else's to read."""
    url = f"sqlite:///{tmp_path / 'ullage.db'}"
    first = FileLock(url)
    with pytest.raises(StoreError, match="another `ullage run` uses this database; stop that one") as caught:
        FileLock(url)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 1
    first.release()
    second = FileLock(url)
    second.release()
    assert stat.S_IMODE((tmp_path / "ullage.db.lock").stat().st_mode) == 0o600


def test_a_kill_frees_it(tmp_path: Path) -> None:
    """What is killed can't let go by itself; the next start must not need a hand."""
    url = f"sqlite:///{tmp_path / 'ullage.db'}"
    holder = subprocess.Popen([sys.executable, "-c", HOLD, url], stdout=subprocess.PIPE)
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(StoreError):
        FileLock(url)
    holder.kill()
    holder.wait(60)
    holder.stdout.close()
    FileLock(url).release()


def test_whether_it_is_held_can_be_seen(tmp_path: Path) -> None:
    """Before the first start, meanwhile and after the end; a look hinders nobody."""
    url = f"sqlite:///{tmp_path / 'ullage.db'}"
    assert is_held(url) is False
    lock = FileLock(url)
    assert is_held(url) is True
    lock.release()
    assert is_held(url) is False
    assert is_held("sqlite://") is None
    assert is_held("postgresql://somewhere/ullage") is None


def test_a_start_outlasts_a_look(tmp_path: Path) -> None:
    """Whoever only looks holds the lock for a moment; a daemon that starts then waits that long."""
    url = f"sqlite:///{tmp_path / 'ullage.db'}"
    FileLock(url).release()
    with (tmp_path / "ullage.db.lock").open("rb") as looking:
        fcntl.flock(looking, fcntl.LOCK_SH)
        let_go = threading.Timer(0.2, fcntl.flock, (looking, fcntl.LOCK_UN))
        let_go.start()
        FileLock(url).release()
        let_go.join()


def test_databases_in_one_folder_do_not_hinder_each_other(tmp_path: Path) -> None:
    """Each has a lock of its own; one in memory needs none."""
    locks = [FileLock(f"sqlite:///{tmp_path / name}") for name in ("a.db", "b.db")]
    locks += [FileLock("sqlite://"), FileLock("sqlite://")]
    for lock in locks:
        lock.release()


def test_programs_that_the_holder_starts_do_not_inherit_it(tmp_path: Path) -> None:
    """A child that outlives its parent must not keep the database from the next daemon."""
    url = f"sqlite:///{tmp_path / 'ullage.db'}"
    script = HOLD.replace(
        "print(", "import subprocess\nsubprocess.Popen(['sleep', '30'], close_fds=False)\nprint("
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, url], stdout=subprocess.PIPE, start_new_session=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"held\n"
    holder.kill()
    holder.wait(60)
    FileLock(url).release()
    os.killpg(holder.pid, signal.SIGKILL)  # the child, whose group bears its parent's number
    holder.stdout.close()

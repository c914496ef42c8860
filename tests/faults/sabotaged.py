"""`ullage run` with a saboteur inside: what it is told on a socket, it does to a thread.

`kill NAME` raises SystemExit in it (PyThreadState_SetAsyncExc), `list` tells names with the system's numbers, by which a
debugger can stop one. The daemon's own code is not touched.
"""

import ctypes
import os
import socket
import sys
import threading

from ullage.daemon.cli import main

SOCKET = "TEST_SABOTEUR"
"""Environment variable with the path of the socket."""


def _kill(name: str) -> int:
    hit = 0
    for thread in threading.enumerate():
        if thread.name == name and thread.ident is not None:
            end = ctypes.py_object(SystemExit)
            hit += ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread.ident), end)
    return hit


def _listen(path: str) -> None:
    with socket.socket(socket.AF_UNIX) as door:
        door.bind(path)
        door.listen()
        while True:
            with door.accept()[0] as asker:
                word, _, name = asker.recv(200).decode().partition(" ")
                if word == "kill":
                    answer = str(_kill(name))
                else:
                    answer = "\n".join(f"{t.native_id} {t.name}" for t in threading.enumerate())
                asker.sendall(answer.encode())


if __name__ == "__main__":
    threading.Thread(target=_listen, args=(os.environ[SOCKET],), name="saboteur", daemon=True).start()
    sys.exit(main(sys.argv[1:]))

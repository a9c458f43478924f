"""A TCP port for a server that a test starts. Python 3, standard library only."""
import contextlib
import random
import socket

ours = []  # sockets whose names say which ports are taken; gone with this process


def free_port():
    """Free, nobody else's who asks here, and below those that Linux gives out by itself (from 32768 on): so no connection and no
    server of another test, which run beside ours, is given it before ours listens there."""
    while True:
        port = random.randrange(20000, 32000)
        name = socket.socket(socket.AF_UNIX)
        with contextlib.suppress(OSError), socket.socket() as one:
            name.bind(f"\0nightwell-test-port-{port}")
            one.bind(("127.0.0.1", port))
            ours.append(name)
            return port
        name.close()

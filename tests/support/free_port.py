"""A TCP port for a server that a test starts. Python 3, standard library only."""
import contextlib
import random
import socket


def free_port():
    """Free, and below those that Linux gives out by itself (from 32768 on): so no connection and no server of another test, which
    run beside ours, is given it before ours listens there."""
    while True:
        port = random.randrange(20000, 32000)
        with contextlib.suppress(OSError), socket.socket() as one:
            one.bind(("127.0.0.1", port))
            return port

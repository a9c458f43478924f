#!/usr/bin/env python3
"""A driver program for a scanner whose measurements take time, in one file and with Python's own library alone.

No dialect can say this: a measurement is begun, asked after until it is ready, then fetched as a block of bytes, and its value has to
be worked out. LF behind every command and every reply of words:

    ID        SCAN 8, rev. 1        who it is
    RUN 7     OK                    begins a measurement of the resistance at channel 7 (1 to 8)
    STATE     BUSY 7, READY 7       how far it is
    FETCH     12 bytes              02; the channel; 0 good, 1 open, 2 beyond its range; the counts of the channel and those of the
                                    100 ohm inside, 4 bytes each, high byte first; the exclusive or of the ten between
    whatever  ERR n                 it will not

To make a driver of your own out of it, change what stands below "---- this instrument ----", all of it: what it is called, what it
says and how it is understood. What stands above is what every driver must do (docs/driver-programs.md): it knows whether question and
answer belong together, never makes a value up, and leaves off what nobody waits for.
"""
# ---- the same in every driver program ----
# `nightwell drivers new` puts here what bath_driver.py has under this line.
import sys
import time

from bath_driver import Instrument, Trouble, serve

# ---- the same in every scanner ----


class Scanner(Instrument):
    """THEIRS, besides: configure(channel, measures), and read(channel, measures): the value, and the text that the instrument wrote."""

    def calls(self, request):
        def configure():
            self.configure(request["channel"], request["measures"])
            return {"done": True}

        def read():
            value, text = self.read(request["channel"], request["measures"])
            return {"value": value, "text": text}
        return {"identify": self.identify, "configure": configure, "read": read}


# ---- this instrument ----
DRIVER, REVISION = "counting-scanner", "1"  # a name of your own, and a revision that you raise with every change
STANDARD_OHM = 100.0
READY_WITHIN_S, LOOK_EVERY_S = 2.0, 0.02  # a measurement, real time
BLOCK, BLOCK_BYTES = b"\x02", 12


class CountingScanner(Scanner):
    IDENTITY = "ID"

    def reply_size(self, received):
        return BLOCK_BYTES if received.startswith(BLOCK) else super().reply_size(received)

    def body_of(self, reply):
        """Of a block, its bytes in between, in hexadecimal digits."""
        if not reply.startswith(BLOCK):
            return super().body_of(reply)
        total = 0
        for byte in reply[1:]:
            total ^= byte
        return f"block {reply[1:-1].hex()}" if total == 0 else None

    def is_identity(self, reply):
        return reply.startswith("SCAN ")

    def is_refusal(self, reply):
        return reply.startswith("ERR ")

    def configure(self, channel, measures):
        """What cannot be is refused before a byte is sent. Which channels it has, the instrument itself knows."""
        if measures != "resistance":
            raise Trouble("bad_input", "it measures resistance")
        if not 1 <= channel <= 99:
            raise Trouble("bad_input", "a channel has one or two digits")

    def read(self, channel, measures):
        self.configure(channel, measures)
        return self.repeat(lambda: self.measure(channel))

    def measure(self, channel):
        """From its begin to its value; after any trouble from its begin again, since it changes nothing."""
        self.expect(f"RUN {channel}", "OK")
        end = time.monotonic() + READY_WITHIN_S
        while self.expect("STATE", f"BUSY {channel}", f"READY {channel}").startswith("BUSY"):
            if time.monotonic() > end:
                raise Trouble("no_answer", f"it was not ready within {READY_WITHIN_S} s")
            self.host.wait(None, LOOK_EVERY_S)  # not time.sleep: the host may want something else meanwhile
        block = self.expect("FETCH", "block ")
        data = bytes.fromhex(block.removeprefix("block "))
        counts, standard = int.from_bytes(data[2:6], "big", signed=True), int.from_bytes(data[6:10], "big", signed=True)
        if data[0] != channel or data[1] > 2 or standard <= 0:
            raise Trouble("garbled", f"{block} is no measurement of channel {channel}")
        if data[1] != 0:
            raise Trouble("open_sensor" if data[1] == 1 else "overload", f"its state is {data[1]}: {block}")
        return STANDARD_OHM * counts / standard, block

    def expect(self, command, *replies):
        """The reply to a command of measure(), which is tried again as a whole. One that ends with a blank is a reply's beginning."""
        reply = self.exchange(command)
        if self.is_refusal(reply):
            raise Trouble("refused", f"{command} was answered with {reply}")
        if not any(reply.startswith(one) if one.endswith(" ") else reply == one for one in replies):
            raise Trouble("garbled", f"{reply!r} is no answer to {command}")
        return reply


if __name__ == "__main__":
    sys.exit(serve(CountingScanner, "scanner", DRIVER, REVISION))

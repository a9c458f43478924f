"""Our Modbus source against servers of others: libmodbus's own, and pymodbus; each on TCP and as RTU on a terminal. And the
simulated controller against a client of others, pymodbus's.

usage: peers_test.py BIN_DIR SOURCE_DIR. python3-pymodbus and python3-serial-asyncio (Debian 12: 3.0.0). The registers are
those of the shipped dialect register-furnace, but that these servers only hold what is written: so the output is read from
its own coil and the park step from its own register. The second dialect sets a float32 by function 16.
"""
import asyncio
import json
import logging
import os
import pty
import select
import struct
import subprocess
import sys
import tempfile
import threading
import tty

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

BIN, SOURCE = sys.argv[1], sys.argv[2]
sys.path.append(f"{SOURCE}/tests/support")
from free_port import free_port  # noqa: E402
logging.disable(logging.CRITICAL)  # pymodbus tells of every connection that ends


def dialects(folder, framing):
    with open(f"{SOURCE}/drivers/dialects/register-furnace.json") as f:
        plain = json.load(f)
    plain["modbus"].update(framing=framing, output={"table": "coil", "address": 0, "on": [1], "off": [0]})
    del plain["park"][0]["proved_by"]
    wide = json.loads(json.dumps(plain))
    wide["modbus"]["target"] = {"table": "holding", "address": 30, "type": "float32", "word_order": "high_first", "unit": "celsius"}
    wide["modbus"]["set_target"] = {"address": 30, "type": "float32", "word_order": "high_first", "unit": "celsius"}
    for name, value in (("plain", plain), ("wide", wide)):
        with open(f"{folder}/{name}-{framing}.json", "w") as f:
            json.dump(value, f)
        yield f"{folder}/{name}-{framing}.json"


class Cable:
    """Two terminals, joined: what one is told the other hears."""

    def __init__(self, folder, name):
        self.ends, self.paths = [], []
        for side in ("server", "client"):
            master, slave = pty.openpty()
            tty.setraw(slave)
            path = f"{folder}/{name}-{side}"
            os.symlink(os.ttyname(slave), path)
            self.ends.append((master, slave))
            self.paths.append(path)
        self.pipe = os.pipe()
        self.thread = threading.Thread(target=self.carry, daemon=True)
        self.thread.start()

    def carry(self):
        masters = [master for master, _ in self.ends]
        while True:
            ready, _, _ = select.select([*masters, self.pipe[0]], [], [])
            if self.pipe[0] in ready:
                return
            for fd in ready:
                os.write(masters[1 - masters.index(fd)], os.read(fd, 4096))

    def close(self):
        os.write(self.pipe[1], b"x")
        self.thread.join()
        for fd in [*self.pipe, *(fd for end in self.ends for fd in end)]:
            os.close(fd)


def talk(dialect, port):
    done = subprocess.run([f"{BIN}/modbus_talk", dialect, port, "123"], capture_output=True, text=True, timeout=30)
    wanted = ["identity model 20055, serial 7, firmware 103", "temperature 20.500000", "set_target done", "target 123.000000",
              "output_on done", "output on", "output_off done", "output off"]
    assert done.stdout.splitlines() == wanted and done.returncode == 0, f"{port}: {done.stdout}{done.stderr}"


def against_libmodbus(folder, framing, dialect, number):
    cable = Cable(folder, f"libmodbus-{number}") if framing == "rtu" else None
    place = cable.paths[0] if cable else str(free_port())
    server = subprocess.Popen([f"{BIN}/libmodbus_server", framing, place], stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout.readline() == "ready\n"
        talk(dialect, cable.paths[1] if cable else f"tcp:{place}")
    finally:
        server.kill()
        server.wait()
        if cable:
            cable.close()


def pymodbus_registers():
    inputs = {0: 20055, 1: 7, 2: 103, 8: 0x0000, 9: 0x41A4}  # 20.5 = 0x41A40000, low word first
    unit = ModbusSlaveContext(ir=ModbusSparseDataBlock(inputs), co=ModbusSparseDataBlock({0: False}),
                              hr=ModbusSparseDataBlock({16: 0, 20: 0, 21: 0, 30: 0, 31: 0}), di=ModbusSparseDataBlock({0: False}),
                              zero_mode=True)
    return unit, ModbusServerContext(slaves={17: unit}, single=False)


async def pymodbus_serves(framing, context, cable, port, dialect):
    if framing == "tcp":
        server = ModbusTcpServer(context, framer=ModbusSocketFramer, address=("127.0.0.1", port), allow_reuse_address=True)
    else:
        server = ModbusSerialServer(context, framer=ModbusRtuFramer, port=cable.paths[0], baudrate=115200)
        await server.start()
    serving = asyncio.ensure_future(server.serve_forever())
    if framing == "tcp":
        await server.serving
    try:
        await asyncio.to_thread(talk, dialect, cable.paths[1] if cable else f"tcp:{port}")
    finally:
        serving.cancel()


def against_pymodbus(folder, framing, dialect, number):
    cable = Cable(folder, f"pymodbus-{number}") if framing == "rtu" else None
    unit, context = pymodbus_registers()
    asyncio.run(pymodbus_serves(framing, context, cable, free_port(), dialect))
    held = unit.getValues(3, 20, 2), unit.getValues(1, 0, 1)
    assert held == ([1, 1], [False]), f"remote control and idle program written, output off: {held}"
    target = unit.getValues(3, 30, 2) if "wide" in dialect else unit.getValues(3, 16, 1)
    # 123.0 as binary32 is 0x42F60000; in tenths it is 1230.
    assert target == ([0x42F6, 0] if "wide" in dialect else [1230]), f"the setpoint as it was written: {target}"
    if cable:
        cable.close()


def the_simulated_controller(folder, framing):
    place = {"type": "tcp", "port": free_port()} if framing == "tcp" else {"type": "pty", "path": f"{folder}/controller"}
    with open(f"{folder}/sim.json", "w") as f:
        json.dump({"format": "nightwell-sim/1", "ambient_c": 21.0, "scanners": {}, "sensors": {},
                   "sources": {"oven": {"kind": "furnace", "port": place, "manner": "modbus"}}}, f)
    sim = subprocess.Popen([f"{BIN}/nightwell-simbench", f"{folder}/sim.json"], stdout=subprocess.PIPE, text=True)
    try:
        assert sim.stdout.readline() == "ready\n"
        client = (ModbusTcpClient("127.0.0.1", place["port"]) if framing == "tcp" else
                  ModbusSerialClient(place["path"], framer=ModbusRtuFramer, baudrate=115200, timeout=2))
        assert client.connect()
        read = lambda call, *where: call(*where, slave=17)
        model, serial, firmware = read(client.read_input_registers, 0, 3).registers
        assert (model, firmware) == (20055, 103) and serial > 0
        low, high = read(client.read_input_registers, 8, 2).registers
        t_c = struct.unpack(">f", struct.pack(">HH", high, low))[0]
        assert abs(t_c - 21) < 5, f"about the room's temperature, not {t_c}"
        assert client.write_register(16, 5000, slave=17).exception_code == 4, "no remote control yet"
        assert not client.write_register(20, 1, slave=17).isError()
        assert not client.write_registers(16, [5000], slave=17).isError()
        assert read(client.read_holding_registers, 16, 1).registers == [5000]
        assert client.write_register(16, 30000, slave=17).exception_code == 3, "3000 °C"
        assert read(client.read_holding_registers, 17, 1).exception_code == 2
        assert not client.write_coil(0, True, slave=17).isError()
        assert read(client.read_input_registers, 12, 1).registers == [1]
        assert read(client.read_coils, 0, 1).bits[0] is True
        assert not client.write_coil(0, False, slave=17).isError()
        assert not client.write_register(21, 1, slave=17).isError()
        assert read(client.read_input_registers, 12, 1).registers == [4]
        client.close()
    finally:
        sim.terminate()
        sim.wait()


def main():
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        for framing in ("tcp", "rtu"):
            trials = [(the_simulated_controller, (folder, framing))]
            for number, dialect in enumerate(dialects(folder, framing)):
                trials += [(peer, (folder, framing, dialect, number)) for peer in (against_libmodbus, against_pymodbus)]
            for peer, arguments in trials:
                what = f"{peer.__name__} {' '.join(os.path.basename(str(a)) for a in arguments[1:])}"
                try:
                    peer(*arguments)
                    print(f"ok    {what}")
                except Exception as error:  # every failure is reported, the others still run
                    failed += 1
                    print(f"FAIL  {what}: {type(error).__name__}: {error}")
    sys.exit(1 if failed else 0)


main()

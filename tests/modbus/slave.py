"""An independent Modbus slave (pymodbus) on a pseudo-terminal, with faults to switch on.

Arguments: the path that the master opens (made here as a link). Commands on standard input, one a line:
"fault NAME UNIT SECONDS" with NAME one of none, late, mute, crc, stranger, only-stranger, noise, echo, cut; UNIT 0 is every unit.
Each request that came is told on standard output: "asked UNIT FUNCTION ADDRESS COUNT".
"""

import asyncio
import os
import sys
import threading
import time
import tty

from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

UNITS = (1, 2, 3)
fault = ["none", 0, 0.0]
lock = threading.Lock()


def say(text):
    print(text, flush=True)


def commands():
    for line in sys.stdin:
        word, name, unit, seconds = line.split()
        assert word == "fault", line
        with lock:
            fault[:] = [name, int(unit), float(seconds)]
        say("done")
    os._exit(0)


def raw_pty():
    ours, theirs = os.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    return ours, theirs


def questions(outer, inner):
    """From the master to the slave."""
    while True:
        try:
            data = os.read(outer, 256)
        except OSError:
            time.sleep(0.01)  # nobody has the other end open
            continue
        with lock:
            name, unit, _ = fault
        if len(data) >= 8:
            say(f"asked {data[0]} {data[1]} {data[2] << 8 | data[3]} {data[4] << 8 | data[5]}")
        if name == "echo":
            os.write(outer, data)
        # pymodbus answers for units that are not there; on a line nobody does.
        if data[0] not in UNITS or (name == "mute" and unit in (0, data[0])):
            continue
        os.write(inner, data)


def answers(inner, outer):
    """From the slave to the master, spoilt as asked."""
    while True:
        data = os.read(inner, 256)
        with lock:
            name, unit, seconds = fault
        if unit in (0, data[0]):
            if name == "late":
                time.sleep(seconds)
            elif name == "crc":
                data = data[:-1] + bytes([data[-1] ^ 0x55])
            elif name == "noise":
                data = bytes([0x00]) + data
            elif name == "cut":
                data = data[:4]
            elif name == "stranger":
                # A frame of unit 99 first: function 4, one register, as the specification builds it.
                body = bytes([99, 4, 2, 0, 7])
                os.write(outer, body + crc(body))
                time.sleep(0.005)
            elif name == "only-stranger":
                body = bytes([99, 4, 2, 0, 7])
                data = body + crc(body)
        os.write(outer, data)


def crc(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


def words(first, values):
    return SimData(first, values=values, datatype=DataType.REGISTERS)


def device(unit):
    """Input 1, 2: temperature and humidity in tenths; input 10, 11: 21.5 + unit as a float, low word first;
    holding 0, 1: CO2 as a 32-bit number, high word first; input 20: the temperature below zero."""
    import struct

    high, low = struct.unpack(">HH", struct.pack(">f", 21.5 + unit))
    bits = [SimData(0, values=[False], datatype=DataType.BITS)]
    inputs = [words(0, [65535, 230 + unit, 880 + unit]), words(10, [low, high]), words(20, [65536 - 55])]
    return SimDevice(unit, simdata=(bits, bits, [words(0, [1, 4464 + unit])], inputs))


async def main():
    outer, outer_end = raw_pty()
    inner, inner_end = raw_pty()
    server = ModbusSerialServer(
        [device(unit) for unit in UNITS],
        framer=FramerType.RTU,
        port=os.ttyname(inner_end),
        baudrate=19200,
        ignore_missing_devices=True,
    )
    for work in (lambda: questions(outer, inner), lambda: answers(inner, outer), commands):
        threading.Thread(target=work, daemon=True).start()
    serving = asyncio.create_task(server.serve_forever())
    await asyncio.sleep(0.2)
    os.symlink(os.ttyname(outer_end), sys.argv[1])
    say("ready")
    await serving


asyncio.run(main())

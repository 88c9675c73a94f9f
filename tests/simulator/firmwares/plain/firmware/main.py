"""A small firmware for the simulator's own tests: reads every chip and writes one 512-byte sector a second.

It stands in for the real one, uses the same doors and nothing of its code. A sector is a line of JSON, padded.
"""

import json
import os
import time

import machine
import onewire
import vfs

FILE_SIZE = 4 << 20


class Logbook:
    """A preallocated file, written sector by sector and never closed."""

    def __init__(self):
        vfs.mount(vfs.VfsFat(machine.SDCard()), "/sd")
        if "PLAIN.LOG" not in os.listdir("/sd"):
            with open("/sd/PLAIN.LOG", "wb") as file:
                file.seek(FILE_SIZE - 1)
                file.write(b"\0")
        self.file = open("/sd/PLAIN.LOG", "r+b")  # noqa: SIM115 - open for the whole flight
        self.sector = self.find_end()

    def find_end(self):
        """First unwritten sector, by bisection: reading them all would take longer than the watchdog allows."""
        first, last = 0, FILE_SIZE // 512 - 1
        buf = bytearray(512)
        while first < last:
            middle = (first + last) // 2
            self.file.seek(middle * 512)
            self.file.readinto(buf)
            if buf[0] == 0x7B:
                first = middle + 1
            else:
                last = middle
        return first

    def put(self, record):
        data = json.dumps(record).encode()
        assert len(data) <= 511, len(data)
        self.file.seek(self.sector * 512)
        self.file.write(data + b" " * (511 - len(data)) + b"\n")
        self.sector += 1


class Barometer:
    def __init__(self, i2c):
        self.i2c = i2c
        i2c.writeto(0x77, b"\x1e")
        time.sleep_ms(3)
        prom = i2c.readfrom_mem
        self.prom = [int.from_bytes(prom(0x77, 0xA0 + 2 * index, 2), "big") for index in range(8)]

    def read(self):
        raw = []
        for command in (b"\x48", b"\x58"):
            self.i2c.writeto(0x77, command)
            time.sleep_ms(10)
            raw.append(int.from_bytes(self.i2c.readfrom_mem(0x77, 0x00, 3), "big"))
        return raw


def read_probes(wire, roms):
    raw = []
    for rom in roms:
        buf = bytearray(9)
        wire.select_rom(rom)
        wire.writebyte(0xBE)
        wire.readinto(buf)
        raw.append(buf[0] | buf[1] << 8 if wire.crc8(buf) == 0 else None)
    if wire.reset():
        wire.writebyte(0xCC)
        wire.writebyte(0x44)
    return raw


def start_boot():
    """Count power-ups in flash."""
    try:
        with open("boots.txt") as file:
            boot = int(file.read()) + 1
    except OSError:
        boot = 1
    with open("boots.txt", "w") as file:
        file.write(str(boot))
    return boot


def main():
    with open("settings.json") as file:
        settings = json.load(file)
    boot = start_boot()
    watchdog = machine.WDT(timeout=8000)
    log = Logbook()
    i2c = machine.I2C(0, sda=machine.Pin(4), scl=machine.Pin(5), freq=400000)
    wire = onewire.OneWire(machine.Pin(22))
    uart = machine.UART(1, baudrate=settings["gnss_baud"], tx=machine.Pin(8), rx=machine.Pin(9), rxbuf=1024)
    battery = machine.ADC(machine.Pin(26))
    led = machine.Pin(25, machine.Pin.OUT)
    roms = wire.scan()
    try:
        barometer = Barometer(i2c)
    except OSError:
        barometer = None
    log.put(
        {
            "boot": boot,
            "id": os.urandom(4).hex(),
            "cause": machine.reset_cause(),
            "roms": [r.hex() for r in roms],
            "prom": barometer.prom if barometer else None,
        }
    )
    buf = bytearray(1200)
    next_ms = time.ticks_ms()
    second = 0
    while True:
        next_ms = time.ticks_add(next_ms, 1000)
        record = {"boot": boot, "t_ms": time.ticks_ms()}
        if barometer:
            try:
                record["d"] = barometer.read()
            except OSError:
                record["d"] = None
        record["probes"] = read_probes(wire, roms) if second else None
        try:
            record["bus"] = int.from_bytes(i2c.readfrom_mem(0x40, 0x02, 2), "big")
            record["shunt"] = int.from_bytes(i2c.readfrom_mem(0x40, 0x01, 2), "big")
        except OSError:
            record["bus"] = None
        record["battery"] = battery.read_u16()
        got = 0
        while uart.any():
            view = memoryview(buf)[got : got + uart.any()]
            got += uart.readinto(view) or 0
        line = bytes(buf[:got])
        at = line.find(b"GGA,")
        record["gga"] = line[at : line.find(b"\r", at)].decode() if at >= 0 else None
        record["heard"] = got
        log.put(record)
        led.toggle()
        watchdog.feed()
        second += 1
        left = time.ticks_diff(next_ms, time.ticks_ms())
        while left > 0:
            time.sleep_ms(left if left < 20 else 20)
            left = time.ticks_diff(next_ms, time.ticks_ms())

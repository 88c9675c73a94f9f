"""Makes logs out of records, with the plain encoder of shared_protocol: the decoder's tests know what is in them."""

import struct
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from ground.atmosphere import standard_air
from shared_protocol import frame, layout
from shared_protocol.conversions.ms5611 import prom_crc4
from shared_protocol.crc import frame_salt
from shared_protocol.records import (
    BOOT,
    CHANNEL,
    EVENT,
    FIX,
    HEALTH,
    POWER,
    PRESSURE,
    PRESSURE_CAL,
    PROBE,
    TEMPERATURE,
    declaration,
    payload_format,
)

CONTACT = "Whoever finds this box: thank you. Write to finder@thistledown.example"


class LogMaker:
    """One log. `boot()` begins a boot, `add()` a record; `data()` is the log's bytes so far.

    >>> log = LogMaker(log_id=7)
    >>> log.boot(1)
    >>> log.add(TEMPERATURE, 1000, 0, 0, 320)
    """

    def __init__(self, log_id=0x1234ABCD, contact=CONTACT, text=True):
        self.log_id = log_id
        self.sectors = []  # bytes of 512, or None where the number was left out
        self.frames = []  # (boot, type, seq, t_ms, values) in order
        self.boot_number = None
        self._pending = b""
        self._with_text = text
        self._contact = contact

    def boot(self, number):
        """Begin a boot; the sector of the boot before is closed, one number left out as a resume does."""
        self.flush()
        if self.boot_number is not None:
            self.sectors.append(None)
        self.boot_number = number
        self.salt = frame_salt(self.log_id, number)
        self.seq = 0
        self.t_ms = 0
        if self._with_text and not self.sectors:
            for text in layout.text_sectors(self._contact):
                self.sectors.append(frame.encode_text_sector(text, self.log_id, number, len(self.sectors), 0, 0))

    def add(self, record_type, t_ms, *values):
        """Append a record with raw field values; gives back its bytes."""
        data = frame.encode(record_type, self.seq, t_ms, values, self.salt)
        if frame.HEADER_SIZE + len(self._pending) + len(data) > frame.SECTOR_SIZE:
            self.flush()
        self._pending += data
        self.t_ms = t_ms
        self.frames.append((self.boot_number, record_type, self.seq & 0xFFFF, t_ms, values))
        self.seq += 1
        return data

    def flush(self):
        """Close the sector begun, if any."""
        if self._pending:
            head = frame.encode_header(self.log_id, self.boot_number, len(self.sectors), self.seq & 0xFFFF, self.t_ms)
            self.sectors.append((head + self._pending).ljust(frame.SECTOR_SIZE, bytes([frame.FILL])))
            self._pending = b""

    def data(self, size=None, behind=b""):
        """The log's bytes; `behind` stands behind the end (an older log, say), zeros fill up to `size`."""
        self.flush()
        log = b"".join(bytes(512) if sector is None else sector for sector in self.sectors)
        if behind:
            holes = bytearray(log)
            for n, sector in enumerate(self.sectors):
                if sector is None:
                    holes[512 * n : 512 * n + 512] = behind[512 * n : 512 * n + 512].ljust(512, b"\0")
            log = bytes(holes) + behind[len(holes) :]
        return log.ljust(size or 0, b"\0")


def payload(record_type, values):
    """A record's payload bytes."""
    return struct.pack(payload_format(declaration(record_type)[2]), *values)


PROM = (0x0041, 40127, 36924, 23317, 23282, 33464, 28312, 0x0000)  # C1 to C6: the data sheet's example


def prom_with_crc(words=PROM):
    """PROM words with their CRC-4 put in."""
    words = list(words)
    words[7] &= 0xFFF0
    words[7] |= prom_crc4(words)
    return tuple(words)


def pressure_words(pressure_hpa, box_c=25.0, prom=PROM):
    """Raw words D1, D2 that a MS5611 gives; exact from 20 degC up, where there is no second-order term."""
    dt = round((box_c * 100 - 2000) * 2**23 / prom[6])
    off = (prom[2] << 16) + ((prom[4] * dt) >> 7)
    sens = (prom[1] << 15) + ((prom[3] * dt) >> 8)
    return round(((pressure_hpa * 100 * 2**15) + off) * 2**21 / sens), dt + (prom[5] << 8)


def fix_values(utc_ms, latitude_deg, longitude_deg, altitude_m, climb_mps=0.0, fix_type=3, source=2, flags=0):
    """Raw values of a `fix` record at a UTC moment (ms since 1970)."""
    moment = datetime.fromtimestamp(utc_ms // 86400000 * 86400, UTC)
    return (
        moment.year,
        moment.month,
        moment.day,
        utc_ms % 86400000,
        round(latitude_deg * 1e7),
        round(longitude_deg * 1e7),
        round(altitude_m * 1000),
        round((altitude_m + 46.0) * 1000),
        12345,
        9000000,
        round(climb_mps * 1000),
        3500,
        121,
        9,
        fix_type,
        source,
        flags,
    )


@dataclass
class Profile:
    """An invented flight: heights by the second, and its true moments in seconds after power-up."""

    altitude_m: np.ndarray
    climb_mps: np.ndarray
    launch_s: float
    burst_s: float
    landing_s: float


def flight_profile(wait_s=120, ground_m=214.0, top_m=29500.0, climb_mps=5.0, land_mps=5.5, landing_m=180.0, rest_s=240):
    """Up at one speed, down by the root of the air's thinness, in steps of 1 s."""
    heights, speeds = [ground_m] * wait_s, [0.0] * wait_s
    h, v = ground_m, climb_mps
    while h + v < top_m:
        h += v
        heights.append(h)
        speeds.append(v)
    burst_s = len(heights) - 1 + (top_m - h) / climb_mps
    heights.append(h := top_m - 2.0)
    speeds.append(0.0)
    v = -2.0
    while h > landing_m:
        terminal = land_mps * np.sqrt(1.225 / standard_air(h).density_kg_m3)
        v += (-9.8 * (1 - (v / terminal) ** 2)) if abs(v) < terminal * 0.99 else 0.0
        v = -min(abs(v), terminal)
        heights.append(h + v)
        speeds.append(v)
        h += v
    landing_s = len(heights) - 1 - (landing_m - h) / abs(v)
    heights[-1] = landing_m
    heights += [landing_m] * rest_s
    speeds += [0.0] * rest_s
    return Profile(np.array(heights), np.array(speeds), float(wait_s - 1), burst_s, landing_s)


LAUNCH_UTC_MS = 1_937_640_600_000  # an invented morning, 2031-05-27T09:30:00Z


def log_flight(
    log, profile, boots=((1, 0, None),), *, seed=1, gnss=True, utc_ms=LAUNCH_UTC_MS, noise_m=6.0, gnss_late_ms=180
):
    """Write a whole flight into `log`: 1 Hz fixes and probes, 10 Hz pressure, 5 Hz panel, health each 5 s.

    `boots` are (number, first second, last second or None); a boot's clock starts at its first second.
    """
    rng = np.random.default_rng(seed)
    for number, first, last in boots:
        log.boot(number)
        log.add(BOOT, 5, 0x0102, 1, 0, 0xC0FFEE, len(log.sectors), b"board-01")
        log.add(PRESSURE_CAL, 6, 0, 1, *prom_with_crc())
        log.add(PROBE, 7, 0, 2, bytes.fromhex("28ff641e0f5a0001"), b"outside")
        log.add(PROBE, 8, 1, 2, bytes.fromhex("28ff641e0f5a0002"), b"inside")
        log.add(CHANNEL, 9, 0, 3, 0x399F, 100000, b"panel")
        log.add(EVENT, 10, 1, 0, 0, 1, number)
        seconds = range(first, len(profile.altitude_m) if last is None else last)
        for second in seconds:
            t = (second - first) * 1000 + 20
            h, v = float(profile.altitude_m[second]), float(profile.climb_mps[second])
            for step in range(10):
                pressure = float(standard_air(max(h + v * step / 10, 0)).pressure_pa) / 100 + rng.normal(0, 0.012)
                log.add(PRESSURE, t + step * 100, 0, 0, *pressure_words(pressure))
                if step % 2 == 0:
                    log.add(POWER, t + step * 100 + 3, 0, 0, 1250 << 3 | 2, int(rng.integers(400, 500)))
            if gnss:
                moment = utc_ms + second * 1000
                log.add(
                    FIX,
                    t + 900 + gnss_late_ms,
                    *fix_values(
                        moment + 920,
                        51.2 + second * 1e-5,
                        7.1 + second * 2e-5,
                        h + v * 0.92 + rng.normal(0, noise_m),
                        v,
                    ),
                )
            log.add(TEMPERATURE, t + 950, 0, 0, round(16 * (15 - min(h, 11000) * 0.0065)))
            log.add(TEMPERATURE, t + 960, 1, 0, 16 * 20)
            if second % 5 == 0:
                log.add(HEALTH, t + 970, 12, 9, 0, 0, 0, 120000, len(log.sectors), 40000, 6600)
    log.flush()
    return log


def fill_fast(log, counts, rng, rate_ms=60):
    """Append many random records quickly: `counts` of {type: share}, in random order, for speed measurements."""
    types = rng.permutation(np.repeat(list(counts), list(counts.values())))
    for record_type in types.tolist():
        fields = declaration(record_type)[2]
        raw = rng.bytes(struct.calcsize(payload_format(fields)))
        log.add(record_type, log.t_ms + int(rng.integers(0, rate_ms)), *struct.unpack(payload_format(fields), raw))

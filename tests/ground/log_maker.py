"""Makes logs and cards out of records, with the plain encoder of shared_protocol: the decoder's tests know what is in them."""

import struct

import numpy as np

from shared_protocol import frame, layout
from shared_protocol.crc import frame_salt
from shared_protocol.records import declaration, payload_format

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


def fill_fast(log, counts, rng, rate_ms=60):
    """Append many random records quickly: `counts` of {type: share}, in random order, for speed measurements."""
    types = rng.permutation(np.repeat(list(counts), list(counts.values())))
    for record_type in types.tolist():
        fields = declaration(record_type)[2]
        raw = rng.bytes(struct.calcsize(payload_format(fields)))
        log.add(record_type, log.t_ms + int(rng.integers(0, rate_ms)), *struct.unpack(payload_format(fields), raw))

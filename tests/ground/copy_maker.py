"""Makes the second copy that a board would keep of a log: thinned by windows, in a ring of part files.

Written from shared_protocol/DESIGN.md, "The second copy", and not from the firmware: the two must agree by the text.
"""

from shared_protocol import frame
from shared_protocol.crc import frame_salt
from shared_protocol.records import ECEF, FIX, HEALTH, READINGS
from shared_protocol.second_copy import PART_SECTORS, PERIOD_MS

_ONE_INSTRUMENT = (FIX, ECEF, HEALTH)  # all others begin with the number of their sensor, probe or channel


def thinned(log, dense=(), keep_from_ms=0):
    """Frames of a `LogMaker` that the copy has; `dense`: (boot, from ms, to ms) in which it took everything."""
    seen, kept = set(), []
    for boot, record_type, seq, t_ms, values in log.frames:
        if record_type in READINGS and not any(b == boot and first <= t_ms <= last for b, first, last in dense):
            instrument = None if record_type in _ONE_INSTRUMENT else values[0]
            window = (boot, record_type, instrument, t_ms // PERIOD_MS)
            if window in seen:
                continue
            seen.add(window)
        if t_ms >= keep_from_ms:
            kept.append((boot, record_type, seq, t_ms, values))
    return kept


def sectors(log, kept, first_number=0):
    """The copy's sectors, in order; numbers of the ring from `first_number`."""
    out, pending, head = [], b"", None

    def close():
        nonlocal pending
        if pending:
            boot, seq, t_ms = head
            number = first_number + len(out)
            header = frame.encode_header(log.log_id, boot, number, seq, t_ms, frame.KIND_FRAMES, frame.SECOND_COPY)
            out.append((header + pending).ljust(frame.SECTOR_SIZE, bytes([frame.FILL])))
            pending = b""

    for boot, record_type, seq, t_ms, values in kept:
        data = frame.encode(record_type, seq, t_ms, values, frame_salt(log.log_id, boot))
        if pending and (boot != head[0] or frame.HEADER_SIZE + len(pending) + len(data) > frame.SECTOR_SIZE):
            close()
        if not pending:
            head = (boot, seq, t_ms)
        pending += data
    close()
    return out


def write_parts(folder, all_sectors, part_sectors=PART_SECTORS):
    """Part files of a ring in `folder`/copy; each begins with a text sector as the board writes it."""
    copy = folder / "copy"
    copy.mkdir(parents=True)
    for number, begin in enumerate(range(0, len(all_sectors), part_sectors)):
        (copy / f"part{number:03d}.log").write_bytes(b"".join(all_sectors[begin : begin + part_sectors]))
    return folder

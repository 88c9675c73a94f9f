"""What came over a cable, around the bytes of a log; see hurt_cards.py, which lists the kinds."""

import numpy as np

SEED = 20310527


def sectors_of(log):
    return [log[at : at + 512] for at in range(0, len(log), 512)]


def capture(folder, log, old):
    """Frames as they come over a cable: a header now and then, lines of text between them."""
    rng = np.random.default_rng(SEED)
    out = bytearray(b"MPY: soft reboot\r\n")
    for sector in sectors_of(log):
        if not any(sector):
            continue
        body = sector.rstrip(b"\xff") if sector[23] == 0 else sector
        out += body if rng.random() < 0.1 or len(out) < 4096 else body[30:]
        if rng.random() < 0.3:
            out += b"battery 3.91 V, all well\r\n"
    (folder / "capture.bin").write_bytes(out)
    return folder / "capture.bin"


def capture_begun_again(folder, log, old):
    """A capture that was broken off in the middle of a frame, and behind it, in the same file, a whole one."""
    path = capture(folder, log, old)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2 + 7] + b"\r\nKeyboardInterrupt\r\n>>> " + whole)
    return path

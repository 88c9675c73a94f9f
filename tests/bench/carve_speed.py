"""Carving an image beside `cat FILE > /dev/null`, both from the page cache, taking turns in one run.

`python -m tests.bench.carve_speed [--mib 2048] [--folder DIR]`: a full image of random bytes with three logs in it (in
one piece, in pieces of 4 KiB, in single sectors), and a sparse one of 32 GB with the same logs. Needs that much space
in the folder; what it made is deleted. Prints medians and the ratio of speeds.
"""

import argparse
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np

from ground.decode.salvage.sources import open_source
from shared_protocol import frame

ROUNDS = 7
MIB = 1 << 20


def log_bytes(log_id, count):
    """`count` sectors with a header and random rest: what the search looks at is the header alone."""
    rng = np.random.default_rng(log_id)
    data = rng.integers(0, 256, (count, 512), dtype=np.uint8)
    for n in range(count):
        data[n, : frame.HEADER_SIZE] = np.frombuffer(frame.encode_header(log_id, 1, n, n & 0xFFFF, n), np.uint8)
    return data.tobytes()


def place_logs(handle, size):
    """Three logs of 4 MiB: whole, in pieces of 8 sectors, in single sectors."""
    for log_id, piece in ((1, 8192), (2, 8), (3, 1)):
        log = log_bytes(log_id, 8192)
        pieces = [log[at : at + piece * 512] for at in range(0, len(log), piece * 512)]
        stride = size // 4 // len(pieces) // 512 * 512
        for n, part in enumerate(pieces):
            handle.seek(log_id * size // 4 // 512 * 512 + n * stride)
            handle.write(part)


def full_image(path, size):
    rng = np.random.default_rng(1)
    with open(path, "wb") as handle:
        for _ in range(size // (16 * MIB)):
            handle.write(rng.bytes(16 * MIB))
        place_logs(handle, size)
        handle.truncate(size)


def sparse_image(path, size):
    with open(path, "wb") as handle:
        handle.truncate(size)
        place_logs(handle, size)


def timed(function):
    began = time.perf_counter()
    function()
    return time.perf_counter() - began


def measure(name, path, rounds):
    def cat():
        with open(path, "rb") as source:
            subprocess.run(["cat"], stdin=source, stdout=subprocess.DEVNULL, check=True)

    cat()
    pairs = [(timed(cat), timed(lambda: open_source(path))) for _ in range(rounds)]
    cat_s, carve_s = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"{name}: cat {cat_s:.3f} s, carving {carve_s:.3f} s, {cat_s / carve_s:.2f} x the speed of cat")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mib", type=int, default=2048)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        image = Path(folder) / "card.img"
        full_image(image, options.mib * MIB)
        measure(f"full image of {options.mib} MiB", image, ROUNDS)
        image.unlink()
        sparse_image(image, 32 << 30)
        measure("sparse image of 32 GB", image, 3)


if __name__ == "__main__":
    main()

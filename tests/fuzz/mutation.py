"""Small changes of valid files, chosen by a seed: bits, cut and doubled stretches, extreme numbers, hostile words."""

import struct

WORDS = [
    b"<script>alert(1)</script>",
    b"../../../etc/passwd",
    b"\x1b[2J\x1b[31m",
    b"=cmd|' /C calc'!A0",
    b"\0",
    b"\r\n\n",
    b"NaN",
    b"-inf",
    b"1e999",
    b"9" * 5000,
    b"[" * 3000,
    b'{"a":' * 2000,
    b"\xff\xfe",
    b"\xc3\x28",
    b'"""',
    b"[[",
    b"=",
    b"2031-13-45T99:99:99Z",
    b"\xe2\x80\xae",
    b"true",
    b"''",
    b"%s%n",
    b"{{7*7}}",
    b"\xa5\x5a\x00\x10",
    b"littlefs",
    b"EXFAT   ",
    b"\x55\xaa",
    b"$GNRMC,",
    b"\xb5\x62\x01\x07\x5c\x00",
]
NUMBERS = [0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF]
STEPS = ("bit", "byte", "number", "word", "cut", "double", "swap lines", "drop line", "tail", "digits")
SIZE_MAX = 1 << 20


def mutate(data, step, at, choice):
    """`data` with one step taken at the share `at` (0 to 1) of its length; `choice` is any whole number."""
    data = bytearray(data[:SIZE_MAX])
    place = min(int(at * len(data)), max(len(data) - 1, 0))
    if step == "bit" and data:
        data[place] ^= 1 << choice % 8
    elif step == "byte" and data:
        data[place] = choice % 256
    elif step == "number":
        size, code = ((1, "B"), (2, "H"), (4, "I"))[choice % 3]
        value = NUMBERS[choice // 3 % len(NUMBERS)] & ((1 << 8 * size) - 1)
        data[place : place + size] = struct.pack("<" + code, value)
    elif step == "word":
        word = WORDS[choice % len(WORDS)]
        data[place : place + (len(word) if choice // len(WORDS) % 2 else 0)] = word
    elif step == "cut":
        del data[place : place + 1 + choice % 700]
    elif step == "double":
        stretch = bytes(data[place : place + 1 + choice % 700])
        data[place:place] = stretch * (1 + choice // 700 % 20)
    elif step == "tail":
        del data[place:]
    elif step in ("swap lines", "drop line"):
        lines = bytes(data).split(b"\n")
        n, k = int(at * (len(lines) - 1)), choice % len(lines)
        if step == "drop line":
            del lines[n]
        else:
            lines[n], lines[k] = lines[k], lines[n]
        data = bytearray(b"\n".join(lines))
    elif step == "digits":
        digits = [n for n, byte in enumerate(data) if 48 <= byte <= 57]
        if digits:
            place = digits[int(at * (len(digits) - 1))]
            data[place : place + 1] = [b"-1", b"1e308", b"0.5", b"'x'", b"99999999999999999999", b"", b"nan"][
                choice % 7
            ]
    return bytes(data[:SIZE_MAX])

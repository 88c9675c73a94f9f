"""CRC-32 taken apart, so that numpy can check many frames at once and one call a whole group of sectors.

CRC-32 is linear. Write `reg` for the shift register (zlib's value with all bits turned over), M[k] for "k zero bytes
go through the register" and F(data) for the register that `data` leaves behind when it starts from 0:

    register after data, started at r  =  M[len](r) ^ F(data)
    F(a + b)                           =  M[len(b)](F(a)) ^ F(b)

Three things follow, and the decoder lives on them:

1. F(data) of a fixed length is the XOR of one table look-up per position (`fixed_length_crc`).
2. A frame that carries its own valid CRC leaves the register at RESIDUE, whatever it says. So F of a valid frame
   depends on its length and salt alone (`valid_frame_register`), and F of a whole sector of valid frames only on where
   they end: it can be predicted without looking at a payload.
3. Salts can be tried after the fact: crc32(data, salt) = crc32(data) ^ M[len](salt) (`advance`).
"""

from functools import lru_cache
from zlib import crc32

import numpy as np

from shared_protocol.frame import PAYLOAD_SIZES, PREFIX_SIZE

DATA_SIZE_MAX = max(PAYLOAD_SIZES.values()) + PREFIX_SIZE  # of what a frame's CRC covers; even
RESIDUE = 0xDEBB20E3  # the register of CRC-32/ISO-HDLC after data and its own CRC (catalogue value "residue")
ALL_ONES = 0xFFFFFFFF
SECTOR_WORDS = 256
_BITS = SECTOR_WORDS.bit_length()


@lru_cache(maxsize=1)
def _byte_table():
    """What one zero byte makes of registers 0 to 255."""
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = (table >> 1) ^ np.where(table & 1, np.uint32(0xEDB88320), np.uint32(0))
    return table.astype(np.uint32)


def _one_zero_byte(registers):
    return (registers >> 8) ^ _byte_table()[registers & 0xFF]


def apply(operator, registers):
    """An operator M[k], four tables of 256, applied to registers of any shape."""
    return (
        operator[0][registers & 0xFF]
        ^ operator[1][(registers >> 8) & 0xFF]
        ^ operator[2][(registers >> 16) & 0xFF]
        ^ operator[3][registers >> 24]
    )


@lru_cache(maxsize=1)
def _identity():
    """M[0]."""
    return np.arange(256, dtype=np.uint32) << np.arange(0, 32, 8, dtype=np.uint32)[:, None]


@lru_cache(maxsize=_BITS)
def _power(bit):
    """M of 2 ** bit words; uint32, shape (4, 256)."""
    if bit == 0:
        return _one_zero_byte(_one_zero_byte(_identity()))
    return apply(_power(bit - 1), _power(bit - 1))


@lru_cache(maxsize=SECTOR_WORDS + 1)
def _operator(words):
    """M of so many words, 0 to 256; uint32, shape (4, 256)."""
    operator = _identity()
    for bit in range(_BITS):
        if words >> bit & 1:
            operator = apply(_power(bit), operator)
    return operator


def advance(registers, byte_count):
    """M[byte_count] of registers (or of zlib values: the inversions cancel); byte_count even, 0 to 512."""
    return apply(_operator(byte_count // 2), np.asarray(registers, dtype=np.uint32))


def retreat(registers, byte_count):
    """What `advance` made the registers of: M[-byte_count]; any whole number of bytes."""
    table = _byte_table()
    came_from = np.argsort(table >> 24).astype(np.uint32)  # the highest bytes in the table are all different
    registers = np.asarray(registers, dtype=np.uint32)
    for _ in range(byte_count):
        last = came_from[registers >> 24]
        registers = (registers ^ table[last]) << 8 | last
    return registers


def advanced_by_words(registers):
    """M of 0 to 256 words of some registers; uint32, shape (257, n)."""
    rows = np.empty((SECTOR_WORDS + 1, len(registers)), dtype=np.uint32)
    rows[0], known = registers, 1
    for bit in range(_BITS - 1):  # M of as many words as are known doubles them
        rows[known : 2 * known] = apply(_power(bit), rows[:known])
        known *= 2
    rows[known] = apply(_power(_BITS - 1), rows[0])
    return rows


@lru_cache(maxsize=4)
def _advance_sectors(count):
    """M[512 (count - 1 - i)] for i = 0 to count - 1, end to end; uint32, shape (count x 4 x 256,)."""
    sector = _operator(SECTOR_WORDS)
    operators = np.empty((count, 4, 256), dtype=np.uint32)
    operators[count - 1] = _identity()
    for i in range(count - 2, -1, -1):
        operators[i] = apply(sector, operators[i + 1])
    return operators.ravel()


def joined(registers):
    """F of sectors standing end to end from F of each; uint32, shape (n, sectors) -> (n,)."""
    count = registers.shape[1]
    operators = _advance_sectors(count)
    registers = np.ascontiguousarray(registers, dtype="<u4")
    pieces = registers.view(np.uint8).reshape(len(registers), count, 4)
    tables = np.arange(count)[:, None] * 1024 + np.arange(4) * 256
    return np.bitwise_xor.reduce(operators.take(pieces + tables).reshape(len(registers), -1), axis=1)


def valid_frame_register(size, salt):
    """F of any valid frame of `size` bytes (CRC included) whose CRC was started at `salt` (number or array)."""
    return np.uint32(RESIDUE) ^ advance(np.uint32(ALL_ONES) ^ np.asarray(salt, dtype=np.uint32), size)


@lru_cache(maxsize=1)
def fill_registers():
    """F of the FF bytes from word k of a sector to its end, for k = 0 to 256; uint32, shape (257,)."""
    registers = np.empty(SECTOR_WORDS + 1, dtype=np.uint32)
    for k in range(SECTOR_WORDS + 1):
        size = 2 * (SECTOR_WORDS - k)
        zlib_value = crc32(b"\xff" * size, ALL_ONES)  # a start value of all ones is the register 0
        registers[k] = zlib_value ^ ALL_ONES
    return registers


@lru_cache(maxsize=1)
def _byte_position_tables():
    """Tables of the last byte, the one before it, ...; uint32, shape (DATA_SIZE_MAX, 256)."""
    tables = np.empty((DATA_SIZE_MAX, 256), dtype=np.uint32)
    tables[0] = _byte_table()
    for k in range(1, DATA_SIZE_MAX):
        tables[k] = _one_zero_byte(tables[k - 1])
    return tables


def byte_table(place):
    """What a byte adds to the CRC of data that ends `place` bytes behind it; uint32, shape (256,)."""
    return _byte_position_tables()[place]


@lru_cache(maxsize=DATA_SIZE_MAX)
def word_table(place):
    """What a 16-bit word adds to the CRC of data that ends `place` words behind it; uint32, shape (65536,)."""
    by_byte = _byte_position_tables()
    return (by_byte[2 * place][:, None] ^ by_byte[2 * place + 1]).ravel()


def crc_of_zeros(length):
    """crc32 (started at 0) of so many zero bytes; length even, 0 to 512."""
    return int(advance(np.uint32(ALL_ONES), length)) ^ ALL_ONES


_BLOCK = 1 << 14
_MANY = 1 << 12  # rows from which the word tables, twice as fast, pay for being built


def fixed_length_crc(rows, many=None):
    """crc32 (started at 0) of each row.

    Parameters
    ----------
    rows : numpy.ndarray of uint8, shape (n, length)
        Data of one even length, at most DATA_SIZE_MAX bytes.
    many : bool, optional
        Use the 16-bit tables; default: where there are many rows.

    Returns
    -------
    numpy.ndarray of uint32, shape (n,)
    """
    count, length = rows.shape
    by_words = count >= _MANY if many is None else many
    result = np.full(count, crc_of_zeros(length), dtype=np.uint32)
    for first in range(0, count, _BLOCK):
        block = np.ascontiguousarray(rows[first : first + _BLOCK])
        columns = block.view("<u2") if by_words else block
        steps = columns.shape[1]
        total = result[first : first + _BLOCK]
        for k in range(steps):
            table = word_table(steps - 1 - k) if by_words else byte_table(steps - 1 - k)
            total ^= table.take(columns[:, k])
    return result

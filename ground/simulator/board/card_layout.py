"""Which part of a FAT volume a block belongs to: boot area, file allocation table, directory, or data.

The simulator counts block writes by region, because the flight recorder promises to write nothing but data in flight.
Source: Microsoft FAT specification (fatgen103), sections on the boot sector, FAT type determination and directories.
A partitioned card is understood too: the first partition of its MBR is taken.
"""

BOOT, FAT, DIRECTORY, DATA = "boot", "fat", "directory", "data"
_BLOCK = 512
_MBR_ENTRY = 446


def _u16(data, at):
    return data[at] | data[at + 1] << 8


def _u32(data, at):
    return _u16(data, at) | _u16(data, at + 2) << 16


class CardLayout:
    """Regions of the volume on a card.

    Parameters
    ----------
    read_block : callable
        read_block(block_number) -> bytes of length 512.

    Raises
    ------
    ValueError
        If there is no FAT volume on the card.
    """

    def __init__(self, read_block):
        self._read_block = read_block
        self.start = 0
        sector = read_block(0)
        if not _is_boot_sector(sector):
            self.start = _u32(sector, _MBR_ENTRY + 8)
            sector = read_block(self.start) if self.start else sector
            if not _is_boot_sector(sector):
                raise ValueError("no FAT volume: neither a boot sector nor a partition table in block 0")
        self.cluster_blocks = sector[13]
        fat_start = self.start + _u16(sector, 14)
        fat_size = _u16(sector, 22) or _u32(sector, 36)
        root_entries = _u16(sector, 17)
        self._fat_start = fat_start
        self._fat_end = fat_start + sector[16] * fat_size
        self._root_end = self._fat_end + (root_entries * 32 + _BLOCK - 1) // _BLOCK
        self._directory_clusters = set()
        if root_entries == 0:
            self._follow_root(_u32(sector, 44))

    def region(self, block):
        """Name of the region a block lies in."""
        if block < self._fat_start:
            return BOOT
        if block < self._fat_end:
            return FAT
        if block < self._root_end:
            return DIRECTORY
        if self._directory_clusters:
            cluster = (block - self._root_end) // self.cluster_blocks + 2
            if cluster in self._directory_clusters:
                return DIRECTORY
        return DATA

    def _follow_root(self, cluster):
        """Clusters of the root directory of a FAT32 volume, as they are now."""
        while 2 <= cluster < 0x0FFFFFF8 and cluster not in self._directory_clusters:
            self._directory_clusters.add(cluster)
            sector = self._read_block(self._fat_start + cluster * 4 // _BLOCK)
            cluster = _u32(sector, cluster * 4 % _BLOCK) & 0x0FFFFFFF


def _is_boot_sector(sector):
    """A FAT boot sector starts with a jump and ends in 55 AA; an MBR only shares the end."""
    return sector[0] in (0xEB, 0xE9) and sector[510] == 0x55 and sector[511] == 0xAA and _u16(sector, 11) == _BLOCK

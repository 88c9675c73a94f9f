"""An SD card at the level of its SPI bytes, stricter than a real one: whatever a host may not do raises AssertionError.

Written from SD Specifications Part 1, Physical Layer Simplified Specification, chapter 7, with arithmetic of its own
(bitwise CRCs, another way round than the driver's tables), so that a mistake is not made twice.
"""


def bitwise_crc(data, width, polynomial):
    crc = 0
    for byte in data:
        for bit in range(7, -1, -1):
            top = crc >> (width - 1) & 1
            crc = (crc << 1) & ((1 << width) - 1)
            if top ^ (byte >> bit & 1):
                crc ^= polynomial
    return crc


class FakeCard:
    """The card and the bus in one: `spi` and `cs` of the driver, and the bench door (attributes and `fail_*`)."""

    def __init__(self, kind="sdhc", blocks=4096):
        self.kind = kind  # "sdhc", "sdsc2", "sdsc1"
        self.block_count = blocks
        self.memory = {}
        self.now_ms = 0.0
        self.present = True
        self.stuck_low = False
        self.busy_bytes = 20  # how long it is busy after a block
        self.busy_forever = False
        self.latency_bytes = 12  # from a read command to the token
        self.never_answers_data = False
        self.corrupt_reads = 0  # how many of the next data blocks get a flipped bit
        self.refuse_crc = 0  # how many of the next written blocks "arrive" hurt
        self.write_error = 0  # how many of the next written blocks fail in programming
        self.status_error = 0  # how many of the next CMD13 say that something failed
        self.error_token = 0  # how many of the next reads end in an error token
        self.command_crc_error = 0
        self.log = []
        self.power_up()

    def power_up(self):
        self.hz = None
        self.selected = False
        self.clocks_before_select = 0
        self.mode = "off"  # off, idle, ready
        self.crc_on = False
        self.expects_acmd = False
        self.initialising = 3  # ACMD41 needed
        self.out = []  # bytes the card is going to say
        self.frame = []
        self.busy = 0
        self.receiving = None  # (token wanted, block), collecting a data block
        self.data = []
        self.reading = None  # next block of a multiple read
        self.checked_voltage = False

    # --- SPI -----------------------------------------------------------------------------------------------------

    def init(self, baudrate):
        self.hz = baudrate

    def write(self, buf):
        for byte in bytes(buf):
            self._exchange(byte)

    def readinto(self, buf, write=0):
        assert write == 0xFF, "the host must keep its line high while it listens"
        for i in range(len(buf)):
            buf[i] = self._exchange(write)

    def cs(self, value):
        if value == 0 and not self.selected:
            if self.present and not self.stuck_low and self.mode == "off":
                assert self.clocks_before_select >= 10, "74 clocks before the first command"
            self.selected = True
            self.frame = []
        elif value == 1 and self.selected:
            assert not self.frame, "let go in the middle of a command"
            assert self.receiving is None or not self.data, "let go in the middle of a block"
            self.selected = False
            self.out = []
            self.reading = None

    def ticks_ms(self):
        self.now_ms += 0.02
        return int(self.now_ms) & 0x3FFFFFFF

    def sleep_ms(self, ms):
        self.now_ms += ms

    def _exchange(self, byte):
        assert self.hz is not None
        self.now_ms += 8000 / self.hz
        if not self.present:
            return 0xFF
        if self.stuck_low:
            return 0x00
        if not self.selected:
            self.clocks_before_select += 1
            return 0xFF
        if self.mode != "ready":
            assert self.hz <= 400000, "identification above 400 kHz"
        if self.busy and not self.out:
            assert byte == 0xFF or self.busy_forever, "sent while the card is busy"
            self.busy -= not self.busy_forever
            return 0x00
        if self.receiving is not None and not self.frame and (byte in (0xFC, 0xFD, 0xFE) or self.data):
            return self._collect(byte)
        answer = self._next_out()
        if self.frame or byte & 0xC0 == 0x40:
            self.frame.append(byte)
            if len(self.frame) == 6:
                frame, self.frame = self.frame, []
                self._obey(frame)
        else:
            assert byte == 0xFF, f"stray byte {byte:02X}"
        return answer

    def _next_out(self):
        if not self.out and self.reading is not None:
            self._say_block(self.reading)
            self.reading += 1
        return self.out.pop(0) if self.out else 0xFF

    # --- commands ------------------------------------------------------------------------------------------------

    def _obey(self, frame):
        number = frame[0] & 0x3F
        argument = int.from_bytes(bytes(frame[1:5]), "big")
        self.log.append(number)
        assert frame[5] & 1, "end bit"
        right = frame[5] >> 1 == bitwise_crc(frame[:5], 7, 0x09)
        if self.crc_on or number in (0, 8):
            assert right, f"CRC of CMD{number}"
        if number == 12:
            assert self.reading is not None or self.receiving is not None, "CMD12 without a transfer"
            self.reading = None
            self.receiving = None
            self.out = [0x7F, 0xFF, self._r1()]  # the first is the stuff byte, and may look like anything
            self.busy = self.busy_bytes
            return
        assert self.receiving is None, f"CMD{number} inside a write"
        self.out = [0xFF, 0xFF]
        if self.command_crc_error and number in (17, 18, 24, 25):
            self.command_crc_error -= 1
            self.out.append(self._r1() | 0x08)
            return
        acmd, self.expects_acmd = self.expects_acmd, False
        handler = getattr(self, f"_{'acmd' if acmd else 'cmd'}{number}", None)
        if handler is None:
            assert not acmd, f"ACMD{number}"
            self.out.append(self._r1() | 0x04)
            return
        handler(argument)

    def _r1(self):
        return 0x00 if self.mode == "ready" else 0x01

    def _cmd0(self, argument):
        assert argument == 0
        self.mode = "idle"
        self.crc_on = False
        self.initialising = 3
        self.checked_voltage = False
        self.out.append(0x01)

    def _cmd8(self, argument):
        assert self.mode == "idle"
        if self.kind == "sdsc1":
            self.out.append(0x05)
            return
        assert argument >> 8 & 0xF == 1
        self.checked_voltage = True
        self.out += [0x01, 0, 0, 1, argument & 0xFF]

    def _cmd59(self, argument):
        self.crc_on = argument == 1
        self.out.append(self._r1())

    def _cmd55(self, argument):
        assert self.mode != "off"
        self.expects_acmd = True
        self.out.append(self._r1())

    def _acmd41(self, argument):
        if self.kind != "sdsc1":
            assert self.checked_voltage, "ACMD41 before CMD8"
        capacity_said = argument == 0x40000000
        if self.kind == "sdhc" and not capacity_said:
            self.out.append(0x01)  # a high-capacity card never gets ready for such a host
            return
        self.initialising -= 1
        if self.initialising <= 0:
            self.mode = "ready"
        self.out.append(self._r1())

    def _cmd58(self, argument):
        assert self.mode == "ready"
        self.out += [0x00, 0xC0 if self.kind == "sdhc" else 0x80, 0xFF, 0x80, 0x00]

    def _cmd16(self, argument):
        assert argument == 512
        self.out.append(self._r1())

    def _cmd9(self, argument):
        assert self.mode == "ready"
        csd = bytearray(16)
        if self.kind == "sdhc":
            size = self.block_count // 1024 - 1
            csd[0] = 0x40
            csd[5] = 0x59
            csd[7:10] = size.to_bytes(3, "big")
        else:  # READ_BL_LEN 9, C_SIZE_MULT 0: blocks = 4 x (C_SIZE + 1)
            size = self.block_count // 4 - 1
            csd[5] = 0x09
            csd[6] = size >> 10 & 3
            csd[7] = size >> 2 & 0xFF
            csd[8] = (size & 3) << 6
        self.out += [0x00, 0xFF, 0xFF, 0xFE, *csd, *bitwise_crc(csd, 16, 0x1021).to_bytes(2, "big")]

    def _cmd13(self, argument):
        failed = self.status_error > 0
        self.status_error -= failed
        self.out += [0x00, 0x04 if failed else 0x00]

    def _cmd17(self, argument):
        block = self._block(argument)
        self.out.append(0x00)
        if not self.never_answers_data:
            self._say_block(block)

    def _cmd18(self, argument):
        self.reading = self._block(argument)
        self.out.append(0x00)

    def _cmd24(self, argument):
        self.receiving = (0xFE, self._block(argument))
        self.out.append(0x00)

    def _cmd25(self, argument):
        self.receiving = (0xFC, self._block(argument))
        self.out.append(0x00)

    def _block(self, argument):
        assert self.mode == "ready" and self.crc_on
        if self.kind != "sdhc":
            assert argument % 512 == 0
            argument //= 512
        assert argument < self.block_count
        return argument

    # --- data ----------------------------------------------------------------------------------------------------

    def _say_block(self, block):
        self.out += [0xFF] * self.latency_bytes
        if self.error_token:
            self.error_token -= 1
            self.out.append(0x08)
            return
        data = bytearray(self.memory.get(block, bytes(512)))
        crc = bitwise_crc(data, 16, 0x1021)
        if self.corrupt_reads:
            self.corrupt_reads -= 1
            data[100] ^= 0x10
        self.out += [0xFE, *data, crc >> 8, crc & 0xFF]

    def _collect(self, byte):
        token, block = self.receiving
        if not self.data:
            if byte == 0xFD:
                assert token == 0xFC, "stop token outside a multiple write"
                self.receiving = None
                self.out = [0xFF]
                self.busy = self.busy_bytes
                return 0xFF
            assert byte == token, f"token {byte:02X}"
        self.data.append(byte)
        if len(self.data) < 515:
            return 0xFF
        data, crc = bytes(self.data[1:513]), bytes(self.data[513:])
        self.data = []
        assert crc == bitwise_crc(data, 16, 0x1021).to_bytes(2, "big"), "the host's CRC of a block"
        answer = 0xE5
        if self.refuse_crc:
            self.refuse_crc -= 1
            answer = 0xEB
        elif self.write_error:
            self.write_error -= 1
            answer = 0xED
        else:
            self.memory[block] = data
        self.receiving = (token, block + 1) if token == 0xFC else None
        self.out = [answer]
        self.busy = self.busy_bytes
        return 0xFF

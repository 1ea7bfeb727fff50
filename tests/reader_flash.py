"""What single parts of an image say: openings, slots and records, by kvstore/FORMAT.md.

Part of the reader in `reader.py`.
"""

from typing import NamedTuple

OPENING = 32
POLYNOMIAL = 0x82F63B78
TALLY, PUT, DELETE, PENDING_PUT, PENDING_DELETE, COMMIT, SETTLE, SEAL, REST, LOST, SPARE = range(11)
IN, OUT, OWN, OVER, RETIRED = "in", "out", "own", "over", "retired"
MASKS = {IN: 0x0000, OUT: 0xFFFF, OWN: 0x5A5A, OVER: 0xA5A5, RETIRED: 0x3C3C}

TABLE = []
for n in range(256):
    for _ in range(8):
        n = n >> 1 ^ (POLYNOMIAL if n & 1 else 0)
    TABLE.append(n)


def crc32c(data, crc=0):
    crc ^= 0xFFFFFFFF
    for byte in data:
        crc = crc >> 8 ^ TABLE[(crc ^ byte) & 0xFF]
    return crc ^ 0xFFFFFFFF


def zeros(data):
    return 8 * len(data) - int.from_bytes(data, "little").bit_count()


def word(number):
    return number.to_bytes(4, "little")


def number(data):
    return int.from_bytes(data, "little")


def blank(data):
    return data.count(0xFF) == len(data)


class Opening(NamedTuple):
    epoch: int
    sequence: int
    older: int
    previous_end: int
    proven_end: int
    slot_bound: int
    passed_over: bool


class Record(NamedTuple):
    """A record whose header reads. Places are addresses."""

    at: int
    end: int
    kind: int
    key_len: int
    value_len: int


class Flash:
    """The bytes of a region, and what single parts of them say."""

    def __init__(self, data, sectors, sector, page, unit):
        self.data, self.sectors, self.sector, self.unit = bytearray(data), sectors, sector, unit
        self.page = max(page, 8 * unit, 64)
        wide = sector > 8192
        self.header_len, self.count_len = (5, 3) if wide else (4, 2)
        self.trailer_len = 4 + self.count_len
        self.slot_count = 12 if sector >= 64 * unit else 8
        self.word_len = max(unit, 4)
        # After the slots comes the unit that shows that the sector takes programs.
        self.first = self.place(OPENING + self.slot_count * (unit + self.word_len) + unit)
        self.limit = sector - OPENING

    # Arithmetic. Sectors are whole pages, so that offsets and addresses serve alike.

    def up(self, n):
        return -(-n // self.unit) * self.unit

    def page_of(self, at):
        return at - at % self.page

    def next_page(self, at):
        return self.page_of(at) + self.page

    def place(self, at):
        if at % self.page == 0:
            return at + self.unit
        if at % self.page + self.up(self.header_len) > self.page:
            return self.next_page(at) + self.unit
        return at

    def addresses(self, at, count):
        """The addresses of this many bytes of content."""
        out = []
        while len(out) < count:
            if at % self.page == 0:
                at += self.unit
            take = min(count - len(out), self.next_page(at) - at)
            out.extend(range(at, at + take))
            at += take
        return out

    def end(self, at, content):
        """The end of a record with this many bytes of key and value."""
        last = self.addresses(at, self.header_len + content + self.trailer_len)[-1]
        end = self.up(last + 1)
        share = self.up(self.header_len + self.trailer_len)
        start = self.page_of(last)
        if start != self.page_of(at) and end - start - self.unit < share:
            end = start + self.unit + share
        return end

    def after(self, record):
        """The place after a record."""
        return self.place(record.end + (self.unit if record.kind == REST else 0))

    def base(self, sequence):
        return sequence % self.sectors * self.sector

    # Records.

    def header(self, data):
        """Kind, length of the key and of the value."""
        first = number(data[:4])
        upper = 0
        if self.header_len == 5:
            upper = data[4] & 15
            if data[4] >> 4 != ~upper & 15:
                return None
        fields = first & 0x3FFFFF | upper << 22
        checked = first & 0x3FFFFF | (crc32c(word(fields)) & 31) << 22
        if first != checked | (27 - checked.bit_count()) << 27:
            return None
        kind, key, value = fields & 7, fields >> 3 & 63, fields >> 9
        if kind == DELETE and value == 1:
            kind = LOST
        elif kind == SEAL and 1 <= key <= 3:
            kind = REST if key == 1 else SPARE
        lengths = {DELETE: value == 0, PENDING_DELETE: value == 0, TALLY: value > 9}
        lengths |= {COMMIT: key == 0 and value == 6, SETTLE: key == 0 and value >= 4}
        lengths |= {SEAL: key == 0 and value == 0}
        if not lengths.get(kind, True):
            return None
        return kind, 0 if kind in (COMMIT, SETTLE, SEAL, REST, SPARE) else key + 1, value

    def record(self, at, limit):
        """The record at an address, if it ends by the limit."""
        header = self.header(self.data[at : at + self.header_len])
        if header is None:
            return None
        kind, key_len, value_len = header
        end = self.end(at, key_len + value_len)
        return Record(at, end, kind, key_len, value_len) if end <= limit else None

    def body(self, record):
        """The addresses of a record's bytes, without trailer and without cells."""
        cells = set(self.cells(record))
        pages = range(record.at, record.end - self.trailer_len)
        tag = lambda at: at % self.page < self.unit and self.page_of(at) > record.at
        return [at for at in pages if not tag(at) and at not in cells]

    def content(self, record, start, count):
        places = self.addresses(record.at, self.header_len + start + count)
        return bytes(self.data[at] for at in places[self.header_len + start :])

    def key(self, record):
        return self.content(record, 0, record.key_len)

    def value_bytes(self, record):
        return self.content(record, record.key_len, record.value_len)

    def cells(self, record):
        if record.kind != TALLY:
            return []
        before = self.header_len + record.key_len
        places = self.addresses(record.at, before + record.value_len)
        return places[self.up(before + 9) :]

    def checks(self, record, generation, body):
        """The CRC that the record should have, the one it has, and likewise the count of zeros."""
        epoch, sequence = generation
        seed = word(epoch) + word(sequence) + word(record.at % self.sector)
        data = bytes(self.data[at] for at in body)
        trailer = bytes(self.data[record.end - self.trailer_len : record.end])
        crc = crc32c(seed + data)
        count = zeros(data) + zeros(word(crc))
        return crc, number(trailer[:4]), count, int.from_bytes(trailer[4:], "big")

    def passes(self, record, generation):
        crc, stored_crc, count, stored_count = self.checks(record, generation, self.body(record))
        return crc == stored_crc and count == stored_count

    def flip(self, address, bit):
        self.data[address] ^= 1 << bit

    def wrong_bits(self, record, generation, proven):
        """The bits that may be the one that is wrong."""
        body = self.body(record)
        crc, stored_crc, count, stored_count = self.checks(record, generation, body)
        trailer = record.end - self.trailer_len
        wrong = crc ^ stored_crc
        if wrong == 0:
            # A record that may be torn may lack several bits that only the count shows.
            if proven or stored_count < count:
                bits = count ^ stored_count
                place = bits.bit_length() - 1
                yield trailer + 3 + self.count_len - place // 8, place % 8
            return
        # What the CRC differs by if the last bit is wrong, the one before it, and so on.
        difference = POLYNOMIAL
        for address in reversed(body):
            for bit in range(7, -1, -1):
                if difference == wrong:
                    yield address, bit
                difference = difference >> 1 ^ (POLYNOMIAL if difference & 1 else 0)
        if wrong.bit_count() == 1:
            place = wrong.bit_length() - 1
            yield trailer + place // 8, place % 8

    def examine(self, at, limit, generation, proven):
        """The record at an address, and whether it passes. A wrong bit is corrected for good."""
        record = self.record(at, limit)
        if record and self.passes(record, generation):
            return record, True
        if blank(self.data[at : at + 4]):
            return None
        if record:
            for address, bit in self.wrong_bits(record, generation, proven):
                self.flip(address, bit)
                if self.passes(record, generation):
                    return record, True
                self.flip(address, bit)
        for bit in range(8 * self.header_len):
            self.flip(at + bit // 8, bit % 8)
            other = self.record(at, limit)
            if other and self.passes(other, generation):
                return other, True
            self.flip(at + bit // 8, bit % 8)
        return (record, False) if record else None

    def whole(self, at, limit, generation, proven=False):
        """Whether a record that passes stands at an address, other than a settle record."""
        met = self.examine(at, limit, generation, proven)
        return met is not None and met[1] and met[0].kind != SETTLE

    def value(self, record):
        """The value of a record that passes, or None if it is lost."""
        if record.kind == LOST:
            return None
        if record.kind != TALLY:
            return self.value_bytes(record)
        value = self.value_bytes(record)
        base, log = number(value[:8]), value[8] & 15
        bits = [self.data[at] >> bit & 1 for at in self.cells(record) for bit in range(8)]
        size = 1 << log
        cells = [bits[n : n + size] for n in range(0, len(bits), size)]
        most = 0 if log < 3 else 1
        ticks = 0
        while ticks < len(cells) and sum(cells[ticks]) <= most:
            ticks += 1
        strays = sum(cell.count(0) for cell in cells[ticks + 1 :])
        count = min(base + ticks, 2**64 - 1)
        return count.to_bytes(8, "little") if strays <= 1 else None

    # Openings and slots.

    def opening(self, sector):
        base = sector * self.sector
        for at in (base, base + self.limit):
            data = bytes(self.data[at : at + OPENING])
            powers = self.unit.bit_length() - 1 | self.page.bit_length() - 1 << 3
            start = bytes([0x0A, 0x57, 2, powers]) + word(self.sector)[:3] + word(self.sectors)[:2]
            count = zeros(data[:30]).to_bytes(2, "big")
            if data[:9] == start and word(crc32c(data[:26])) == data[26:30] and count == data[30:]:
                epoch, sequence = number(data[9:13]), number(data[13:17])
                older, previous, proven = number(data[17:19]), number(data[19:22]), number(data[22:25])
                return Opening(epoch, sequence, older, previous, proven, data[25] & 0x7F, data[25] > 0x7F)
        return None

    def slots(self, sequence):
        """The number of each slot with a decision that counts, and the decision."""
        for slot in range(self.slot_count):
            at = self.base(sequence) + OPENING + slot * (self.unit + self.word_len)
            tag, stored = self.data[at : at + self.unit], self.data[at + self.unit :][:4]
            check = crc32c(word(sequence) + word(slot)) & 0xFFFF
            for decision, mask in MASKS.items():
                right = check ^ mask | (~(check ^ mask) & 0xFFFF) << 16
                if zeros(tag) >= 2 and (right ^ number(stored)).bit_count() <= 1:
                    yield slot, decision

#!/usr/bin/env python3
"""Lists the settings of an image, using only kvstore/FORMAT.md and the standard library.

This is not the code of the store and not derived from it: if the two disagree, one of them or the
description of the format is wrong. `reader.py IMAGE SECTORS SECTOR_BYTES PAGE UNIT` prints JSON; with
`--many FILE` it reads many images from one file, each preceded by a line with its four numbers.
"""

import json
import struct
import sys

TALLY, PUT, DELETE, PENDING_PUT, PENDING_DELETE, COMMIT, SETTLE, SEAL = range(8)
OPENING, SECTOR_INFO = 31, 16

TABLE = []
for n in range(256):
    for _ in range(8):
        n = n >> 1 ^ (0x82F63B78 if n & 1 else 0)
    TABLE.append(n)


def crc32c(data, crc=0):
    crc ^= 0xFFFFFFFF
    for byte in data:
        crc = crc >> 8 ^ TABLE[(crc ^ byte) & 0xFF]
    return crc ^ 0xFFFFFFFF


def zeros(data):
    return 8 * len(data) - int.from_bytes(data, "little").bit_count()


class OtherStore(Exception):
    """A sector starts like that of another version or layout."""


class Image:
    def __init__(self, data, sectors, sector, page, unit):
        self.data, self.sectors, self.sector, self.unit = data, sectors, sector, unit
        self.page = max(page, 8 * unit, 64)
        wide = sector > 8192
        self.header_len, self.count_len = (5, 3) if wide else (4, 2)
        self.header_area = self.up(self.header_len)
        self.mark = self.up(OPENING)
        self.first = self.place(self.mark + unit)

    def up(self, n):
        return -(-n // self.unit) * self.unit

    def place(self, n):
        boundary = (n // self.page + 1) * self.page
        return boundary if n + self.header_area > boundary else n

    def end(self, at, content):
        """The end of a record at an offset, given the bytes of its key and value. Sectors are whole pages."""
        end = self.up(at + self.header_len + content + 4 + self.count_len)
        share, least = end % self.page, self.unit + self.header_area + self.count_len
        if at // self.page != end // self.page and 0 < share < least:
            end = self.up(end - share + least)
        return end

    def record(self, at, limit):
        """(kind, key, value, end) of the header at an offset of the whole image, or None."""
        if at + self.header_len > limit:
            return None
        word = int.from_bytes(self.data[at : at + 4], "little")
        checked = word & (1 << 27) - 1
        if word >> 27 != 27 - checked.bit_count():
            return None
        kind, key_bits, value_len = checked & 7, checked >> 3 & 63, checked >> 9 & 0x1FFF
        if self.header_len == 5:
            upper = self.data[at + 4]
            if upper & 15 != ~upper >> 4 & 15:
                return None
            value_len |= (upper & 15) << 13
        if checked >> 22 != crc32c(struct.pack("<I", kind | key_bits << 3 | value_len << 9)) & 31:
            return None
        keyed = kind in (TALLY, PUT, DELETE, PENDING_PUT, PENDING_DELETE)
        if not keyed and key_bits:
            return None
        if kind in (DELETE, PENDING_DELETE, SEAL) and value_len or kind == COMMIT and value_len != 6:
            return None
        if kind == SETTLE and value_len < 3 + SECTOR_INFO or kind == TALLY and value_len < 10:
            return None
        key_len = key_bits + 1 if keyed else 0
        end = self.end(at, key_len + value_len)
        if end > limit:
            return None
        key_at = at + self.header_len
        value_at = key_at + key_len
        return kind, self.data[key_at:value_at], self.data[value_at : value_at + value_len], end

    def cells(self, at, record):
        """Offsets of the bytes of a tally's cells."""
        start = at % self.sector
        value = start + self.header_len + len(record[1])
        cells = range(self.up(value + 9), value + len(record[2])) if record[0] == TALLY else ()
        no_cells = self.unit + self.header_area
        return [at - start + n for n in cells if n % self.page >= no_cells]

    def value(self, at, record):
        """The value of a record, or the count of a tally. None if its cells are damaged."""
        if record[0] != TALLY:
            return record[2]
        bits = int.from_bytes(bytes(self.data[n] for n in self.cells(at, record)), "little")
        step = 1 << record[2][8]
        count = 0
        while (count + 1) * step <= 8 * len(self.cells(at, record)) and not bits & (1 << step) - 1:
            bits >>= step
            count += 1
        # After the next cell nothing may be cleared.
        left = 8 * len(self.cells(at, record)) - (count + 1) * step
        if left > 0 and bits >> step != (1 << left) - 1:
            return None
        return (int.from_bytes(record[2][:8], "little") + count).to_bytes(8, "little")

    def passes(self, at, record, generation):
        cells = set(self.cells(at, record))
        end = record[3] - 4 - self.count_len
        body = bytes(self.data[n] for n in range(at, end) if n not in cells) if cells else self.data[at:end]
        trailer = self.data[record[3] - 4 - self.count_len : record[3]]
        crc = crc32c(struct.pack("<III", *generation, at % self.sector) + body)
        crc = struct.pack("<I", crc)
        return trailer == crc + zeros(body + crc).to_bytes(self.count_len, "big")

    def info(self, data):
        epoch, sequence, older = struct.unpack("<IIH", data[:10])
        previous, proven = (int.from_bytes(data[n : n + 3], "little") for n in (10, 13))
        return (epoch, sequence), older, previous, proven

    def opening(self, sector):
        data = self.data[sector * self.sector :][:OPENING]
        crc = struct.pack("<I", crc32c(data[:25]))
        shape = bytes([self.unit.bit_length() - 1 | self.page.bit_length() - 1 << 3])
        shape += self.sector.to_bytes(3, "little") + self.sectors.to_bytes(2, "little")
        trailer = crc + zeros(data[:25] + crc).to_bytes(2, "big")
        if data[:2] != b"\x0a\x57" or data[25:] != trailer:
            return None
        info = self.info(data[9:25])
        if data[:9] != b"\x0a\x57\x01" + shape or info[0][1] % self.sectors != sector:
            raise OtherStore
        return info

    def settle_at(self, page, limit):
        if any(self.data[page : page + self.unit]):
            return None
        record = self.record(page + self.unit, limit)
        return record if record and record[0] == SETTLE else None

    def next_page(self, at):
        return (at // self.page + 1) * self.page

    def settles(self, at, limit):
        """Settle records after traces at the page starts after `at`: (address, record)."""
        page = self.next_page(at)
        while page + self.unit + self.header_area <= limit:
            record = self.settle_at(page, limit)
            if record:
                yield page + self.unit, record
                page = self.next_page(record[3] - 1)
            else:
                page += self.page

    def info_from_settle(self, sector):
        base, limit = sector * self.sector, (sector + 1) * self.sector
        at = base + self.first
        while record := self.record(at, limit):
            at = base + self.place(record[3] - base)
        for at, record in self.settles(at, limit):
            info = self.info(record[2][3:])
            if self.passes(at, record, info[0]) and info[0][1] % self.sectors == sector:
                return info
        return None

    def head(self):
        try:
            return self.newest()
        except OtherStore:
            return None

    def newest(self):
        best = None
        for sector in range(self.sectors):
            info = self.opening(sector)
            mark = sector * self.sector + self.mark
            if info is None:
                info = self.info_from_settle(sector)
            elif self.data[mark : mark + self.unit] == b"\xff" * self.unit:
                continue
            if info is None:
                continue
            (_, sequence), older, _, _ = info
            if sequence % self.sectors != sector or older > min(sequence, self.sectors - 2):
                continue
            if best is None or info[0] > best[0]:
                best = info
        return best

    def known(self, generation):
        sector = generation[1] % self.sectors
        for info in (self.opening(sector), self.info_from_settle(sector)):
            if info and info[0] == generation:
                return info
        return None

    def walk(self, generation, limit):
        """Walks a sector. Applies all but the last two records, which it returns."""
        base = generation[1] % self.sectors * self.sector
        limit += base
        at, held = base + self.first, []
        while at < limit:
            if record := self.record(at, limit):
                if len(held) == 2:
                    self.apply(held.pop(0), generation)
                held.append((at, record, None))
                at = base + self.place(record[3] - base)
                continue
            found = (s for s in self.settles(at, limit) if self.passes(*s, generation))
            settle = next(found, None)
            if settle is None:
                break
            address, record = settle
            accepted = base + min(int.from_bytes(record[2][:3], "little"), self.sector)
            for old in held:
                if old[0] < accepted:
                    self.apply(old, generation)
            carried, carried_at = None, address + self.header_len + 3 + SECTOR_INFO
            if len(record[2]) > 3 + SECTOR_INFO and (inner := self.record(carried_at, record[3])):
                carried = (carried_at, inner, None)
            held = [(address, record, (carried,))]
            at = base + self.place(record[3] - base)
        # The place where no record can be read; earlier if the last record turns out to be torn.
        self.stop = at - base
        return held

    def apply(self, held, generation):
        at, (kind, key, value, _), settled = held
        if settled is not None:
            if settled[0]:
                self.apply(settled[0], generation)
        elif kind in (PUT, TALLY):
            self.live[key] = (at, generation)
        elif kind == DELETE:
            self.live.pop(key, None)
        elif kind == COMMIT:
            batch = list(self.batch(at, value))
            for at, record in batch:
                if record[0] == PENDING_DELETE:
                    self.live.pop(record[1], None)
            for at, record in batch:
                if record[0] == PENDING_PUT:
                    self.live[record[1]] = (at, generation)

    def batch(self, at, value):
        """The pending records that a commit names, with their offsets."""
        base = at // self.sector * self.sector
        at, end = (base + int.from_bytes(value[n : n + 3], "little") for n in (0, 3))
        while at < end and (record := self.record(at, end)):
            yield at, record
            at = base + self.place(record[3] - base)

    def size(self, record):
        return self.up(self.header_len + len(record[1]) + len(record[2]) + 4 + self.count_len)

    def can_move(self, suspect, tail):
        """Whether a suspect fits into a sector with the live records of the tail."""
        at, record, _ = suspect
        sizes = [self.size(record)]
        if record[0] == COMMIT:
            sizes = [self.size(record) for _, record in self.batch(at, record[2])]
        for at, _ in self.live.values():
            if at // self.sector == tail:
                sizes.append(self.size(self.record(at, (at // self.sector + 1) * self.sector)))
        least = self.up(self.unit + self.header_area + self.count_len) - self.unit
        boundaries = min(len(sizes), self.sector // self.page - 1)
        return sum(sizes) + boundaries * least <= self.sector - self.first

    def has_room(self, suspect, base):
        """Whether the head has room for a settle record that carries a suspect, and a seal."""
        limit, stop = base + self.sector, base + self.stop
        if stop >= limit:
            return False
        torn = self.record(stop, limit)
        start = self.next_page(torn[3] - 1) if torn else self.next_page(stop)
        page = start
        while True:
            end = self.settle_end(page, suspect[1])
            if end > limit:
                return False
            pages = range(page, end, self.page)
            used = [n for n in pages if self.data[n : n + self.page].count(0xFF) < self.page]
            if used:
                page = self.reach(used[-1], limit)
                continue
            while start < page:
                start = self.reach(start, limit)
            if start == page:
                return True
            page = start

    def reach(self, page, limit):
        torn = self.settle_at(page, limit)
        return self.next_page(torn[3] - 1) if torn else page + self.page

    def settle_end(self, page, record):
        """Where a seal would end after a settle record that carries a copy of a record."""
        at = page + self.unit
        carried = at + self.header_len + 3 + SECTOR_INFO
        value = 8 if record[0] == TALLY else len(record[2])
        carried_len = self.end(carried, len(record[1]) + value) - carried
        seal = self.place(self.end(at, 3 + SECTOR_INFO + carried_len))
        return self.end(seal, 0)

    def settings(self):
        """Each key with its value, which is None if it is damaged. None if there is no store."""
        head = self.head()
        if head is None:
            return None
        self.live = {}
        (epoch, sequence), older, previous, proven = head
        for number in range(sequence - older, sequence):
            after = head if number + 1 == sequence else self.known((epoch, number + 1))
            limit = min(after[2], self.sector) if after else self.sector
            for held in self.walk((epoch, number), limit):
                self.apply(held, (epoch, number))
        generation = head[0]
        held = self.walk(generation, self.sector)
        base = sequence % self.sectors * self.sector
        # Backwards from the last record: torn ones do not count, the first that passes does.
        while held and held[-1][0] >= base + proven and held[-1][2] is None:
            at, record, _ = held[-1]
            if self.passes(at, record, generation) and self.value(at, record) is not None:
                break
            self.stop = at - base
            held.pop()
        # Only the last record can be in doubt now.
        suspect = held.pop() if held and held[-1][0] >= base + proven else None
        for one in held:
            self.apply(one, generation)
        if suspect:
            carried = suspect[2][0] if suspect[2] else suspect
            long = older + 2 >= self.sectors
            tail = (sequence - older) % self.sectors
            # A pending record or a seal is not copied, so it needs no room.
            copied = carried and carried[1][0] in (TALLY, PUT, DELETE, COMMIT)
            must_fit = copied and long
            if not must_fit or self.can_move(carried, tail) or self.has_room(carried, base):
                self.apply(suspect, generation)
        result = {}
        for key, (at, generation) in self.live.items():
            record = self.record(at, (at // self.sector + 1) * self.sector)
            whole = record and self.passes(at, record, generation)
            value = self.value(at, record) if whole else None
            result[key.hex()] = None if value is None else value.hex()
        return result


def main(arguments):
    if arguments[:1] == ["--many"]:
        with open(arguments[1], "rb") as file:
            while line := file.readline():
                sizes = [int(word) for word in line.split()]
                data = file.read(sizes[0] * sizes[1])
                print(json.dumps(Image(data, *sizes).settings(), sort_keys=True))
    else:
        with open(arguments[0], "rb") as file:
            data = file.read()
        print(json.dumps(Image(data, *map(int, arguments[1:5])).settings(), sort_keys=True))


if __name__ == "__main__":
    main(sys.argv[1:])

#!/usr/bin/env python3
"""Lists the settings of an image, using only kvstore/FORMAT.md and the standard library.

This is not the code of the store and not derived from it: if the two disagree, one of them or the
description of the format is wrong. `reader.py IMAGE SECTORS SECTOR_BYTES PAGE UNIT` prints JSON; with
`--many FILE` it reads many images from one file, each preceded by a line with its four numbers.
"""

import json
import sys
from typing import NamedTuple

from reader_flash import (
    COMMIT, DELETE, IN, LOST, OVER, OWN, PENDING_DELETE, PENDING_PUT, PUT, REST, RETIRED, SETTLE, TALLY,
    Flash, Record, blank, crc32c, number, word, zeros,
)


class Settled(NamedTuple):
    """A settle record that passes: places from `accepted` on up to it are void."""

    record: Record
    accepted: int
    decided: int
    carried: object
    extent: object


class Last(NamedTuple):
    """The last thing that a walk met: a record, or the copy that a settle record carries."""

    at: int
    accepted: int
    suspect: object
    extent: object


class Image(Flash):
    """The log of a region."""

    # The head.

    def candidates(self):
        for sector in range(self.sectors):
            opening = self.opening(sector)
            if opening and opening.sequence % self.sectors == sector:
                if opening.older + 2 <= self.sectors and opening.older <= opening.sequence:
                    yield opening

    def is_sure(self, opening):
        generation = opening.epoch, opening.sequence
        base = self.base(opening.sequence)
        limit = base + self.limit
        at = self.place(base + opening.proven_end)
        if self.whole(at, limit, generation, True):
            return True
        behind = self.after_torn_rest(at, limit, generation)
        if behind and self.whole(behind, limit, generation, True):
            return True
        if next(self.settled(self.next_page(at), limit, generation), None):
            return True
        if any(decision == OWN for _, decision in self.slots(opening.sequence)):
            return True
        # A later record shows that the first one is damaged.
        return self.later(at, limit, generation) is not None

    def is_decided(self, opening):
        sequence = opening.sequence - (2 if opening.passed_over else 1)
        bound = opening.slot_bound
        before = self.opening(sequence % self.sectors)
        wanted = OVER if opening.passed_over else IN
        if before and before.sequence == sequence:
            base = self.base(sequence)
            page = base + self.next_page(opening.previous_end)
            generation = before.epoch, sequence
            for settled in self.settled(page, base + self.limit, generation):
                bound = max(bound, settled.decided)
        decisions = [d for slot, d in self.slots(sequence) if slot >= bound and d != RETIRED]
        return decisions[-1:] == [wanted]

    def is_outdated(self, opening):
        """Whether another sector shows that the decision about this one is an old one."""
        before = opening.sequence - (2 if opening.passed_over else 1)
        older = [other for other in self.candidates() if other[:2] < opening[:2]]
        return any(
            other.sequence > before and (self.is_sure(other) or self.is_decided(other))
            for other in older
        )

    def head(self):
        for opening in sorted(self.candidates(), reverse=True):
            if self.is_sure(opening) or self.is_decided(opening) and not self.is_outdated(opening):
                decisions = [decision for _, decision in self.slots(opening.sequence)]
                retired = opening.older > 0 and RETIRED in decisions
                return opening._replace(older=opening.older - 1) if retired else opening
        return None

    def successor(self, sequence, head):
        """The opening of the sector after a number of the log, if it reads."""

        def opening(number):
            if number == head.sequence:
                return head
            found = self.opening(number % self.sectors)
            right = found and (found.epoch, found.sequence) == (head.epoch, number)
            return found if right else None

        if sequence + 1 != head.sequence:
            second = opening(sequence + 2)
            row = sequence + 2
            while second and row < head.sequence:
                following = opening(row + 1)
                if not following or not following.passed_over:
                    break
                row += 1
            if second and second.passed_over and (row - sequence) % 2 == 0:
                return second
        return opening(sequence + 1)

    # Settle records.

    def settled(self, page, limit, generation):
        """The settle records that pass, in this page and later ones."""
        while page < limit:
            yield from self.settled_in(page, limit, generation)
            page += self.page

    def settled_in(self, page, limit, generation):
        """The settle record of a page, if it has one that passes."""
        at = page + self.unit
        if at >= limit or blank(self.data[page:at]):
            return
        met = self.examine(at, limit, generation, False)
        if met and not met[1] and met[0].kind == SETTLE:
            # A record that passes after it shows that it was finished.
            if self.whole(self.after(met[0]), limit, generation):
                met = self.examine(at, limit, generation, True)
        if met and met[1] and met[0].kind == SETTLE:
            yield self.settle(met[0])

    def settle(self, record):
        value = self.value_bytes(record)
        base = record.at - record.at % self.sector
        carried = extent = None
        if len(value) > 4:
            place = self.addresses(record.at, self.header_len + 5)[-1]
            carried = self.record(place, record.end)
            if carried and carried.kind == COMMIT:
                extent = self.extent(carried)
        return Settled(record, base + number(value[:3]), value[3] & 63, carried, extent)

    def extent(self, commit):
        value = self.value_bytes(commit)
        base = commit.at - commit.at % self.sector
        return base + number(value[:3]), base + number(value[3:6])

    def ruling(self, at, limit, generation):
        first = self.page_of(at)
        if at != first + self.unit:
            first += self.page
        ruling, page, end = None, self.page_of(limit), limit
        while page >= first and end > at:
            settled = next(self.settled_in(page, end, generation), None)
            if settled and settled.accepted <= settled.record.at:
                ruling, end = settled, settled.accepted
            page -= self.page
        return ruling

    # The walk.

    def after_torn_rest(self, at, limit, generation):
        """The place after a rest record that lacks some of its zeros, if its flag is not blank."""
        read = self.record(at, limit)
        if read and read.kind == REST:
            flag = self.data[read.end : read.end + self.unit]
            return None if read.end + self.unit > limit or blank(flag) else self.after(read)
        header = 7 | 1 << 3
        header |= (crc32c(word(header)) & 31) << 22
        header |= (27 - header.bit_count()) << 27
        start = word(header) + (b"\xf0" if self.header_len == 5 else b"")
        end = self.end(at, 0)
        if self.page_of(at) != self.page_of(end) or end + self.unit > limit:
            return None
        if blank(self.data[end : end + self.unit]):
            return None
        body = start.ljust(end - at - self.trailer_len, b"\xff")
        epoch, sequence = generation
        crc = word(crc32c(word(epoch) + word(sequence) + word(at % self.sector) + body))
        whole = body + crc + (zeros(body + crc)).to_bytes(self.count_len, "big")
        fits = all(~have & want == 0 for have, want in zip(self.data[at:end], whole))
        return self.place(end + self.unit) if fits else None

    def walk(self, generation, proven, limit):
        """Lets the records of a sector take effect. Returns the place where it ends, and what was last."""
        base = self.base(generation[1])
        proven, limit = base + proven, base + limit
        at = batch = base + self.first
        last, held = None, None
        settled = self.ruling(at, limit, generation)
        while True:
            bound = settled.accepted if settled else limit
            if at >= bound:
                if not settled:
                    break
                self.apply(held)
                held = settled.carried, settled.extent, generation
                last = Last(settled.record.at, settled.accepted, settled.carried, settled.extent)
                at = batch = self.after(settled.record)
                settled = self.ruling(at, limit, generation)
                continue
            sure = settled is not None or at < proven
            met = self.examine(at, bound, generation, sure)
            if met is None or not met[1]:
                behind = self.after_torn_rest(at, bound, generation)
                ends = sure and behind == bound
                if behind and (ends or self.whole(behind, bound, generation)):
                    at = batch = behind
                    met = self.examine(at, bound, generation, sure)
                    sure = settled is not None or at < proven
            if met and not met[1] and not sure:
                # A record that passes shows that the one before it was finished.
                behind = self.after(met[0])
                if self.whole(behind, bound, generation):
                    proven, sure = behind, True
                    met = self.examine(at, bound, generation, True)
            # A settle record did not pass when settle records were looked for.
            passes = met is not None and met[1] and met[0].kind != SETTLE
            if not passes and not sure:
                # The end of the log, unless a record passes after it.
                later = self.later(at, limit, generation)
                if later is None:
                    break
                proven = at = batch = later
                continue
            if met is None:
                known = bound if settled else min(bound, proven)
                if at < known:
                    at = self.next_whole(at + self.unit, known, known, generation) or self.place(known)
                    batch = at
                continue
            record = met[0]
            if not passes:
                self.apply(held)
                held = None
                self.damaged(record, generation)
                at = self.after(record)
                if record.kind == COMMIT:
                    self.apply((record, (batch, record.at), generation))
                if record.kind not in (PENDING_PUT, PENDING_DELETE):
                    batch = at
                continue
            self.apply(held)
            held = record, (batch, record.at), generation
            last = Last(record.at, record.at, record, (batch, record.at))
            at = self.after(record)
            if record.kind not in (PENDING_PUT, PENDING_DELETE):
                batch = at
        return at, last, held

    def next_whole(self, at, end, limit, generation):
        """The first place from one on, before `end`, where a record passes that ends by the limit."""
        at = self.place(at)
        while at < end:
            if self.record(at, limit) and self.whole(at, limit, generation, True):
                return at
            at = self.place(at + self.unit)
        return None

    def later(self, at, limit, generation):
        """The next place in the head where a record passes, after one where none does."""
        is_first = at == self.page_of(at) + self.unit
        if not is_first or blank(self.data[self.page_of(at) : at]):
            torn = self.record(at, limit)
            at = self.after(torn) if torn else at + self.unit
        # Else it was the settle record of an interrupted mount.
        while at < limit:
            if at == self.page_of(at) + self.unit:
                at = self.page_of(at)
            if at == self.page_of(at) and not blank(self.data[at : at + self.unit]):
                torn = self.record(at + self.unit, limit)
                is_settle = torn and torn.kind == SETTLE
                at = self.after(torn) if is_settle else at + self.page
                continue
            end = min(limit, self.next_page(at))
            if not blank(self.data[at:end]):
                found = self.next_whole(at, end, limit, generation)
                if found:
                    return found
            at = end
        return None

    def after_taken(self, page, limit):
        """The first page after a settle record, if a mount took this page for one."""
        if blank(self.data[page : page + self.unit]):
            return page
        torn = self.record(page + self.unit, limit)
        if torn and torn.kind == SETTLE:
            return self.next_page(torn.end - 1)
        return page + self.page

    def damaged(self, record, generation):
        key = self.key(record)
        if record.kind in (PUT, PENDING_PUT, LOST, TALLY) and key in self.live:
            self.live[key] = record.at, generation

    def changes(self, record, extent, generation):
        """The records that take effect with a record."""
        if record.kind != COMMIT:
            return [record] if record.kind in (PUT, DELETE, TALLY, LOST) else []
        batch = []
        at, end = extent
        while at < end:
            met = self.examine(at, self.base(generation[1]) + self.limit, generation, True)
            if not met:
                break
            at = self.after(met[0])
            batch += [met[0]] if met[1] else []
        deletes = [one for one in batch if one.kind == PENDING_DELETE]
        return deletes + [one for one in batch if one.kind == PENDING_PUT]

    def apply(self, held):
        if not held or not held[0]:
            return
        record, extent, generation = held
        for change in self.changes(record, extent, generation):
            if change.kind in (DELETE, PENDING_DELETE):
                self.live.pop(self.key(change), None)
            else:
                self.live[self.key(change)] = change.at, generation

    # Whether there is room to keep the last record.

    def free_page(self, stop, limit):
        free = page = self.next_page(stop)
        flag = self.rest_end(stop)
        after_rest = self.place(flag + self.unit)
        if flag < limit and not blank(self.data[flag : flag + self.unit]):
            free = max(free, self.next_page(after_rest))
        for place in (stop, after_rest):
            torn = self.record(place, limit) if place < limit else None
            if torn:
                free = max(free, self.next_page(torn.end - 1))
        while page < limit:
            if not blank(self.data[page : min(page + self.page, limit)]):
                free = max(free, page + self.page, self.after_taken(page, limit))
            page += self.page
        return free

    def rest_end(self, at):
        """Where a rest record at this place would end: the address of its flag."""
        end, boundary = self.end(at, 0), self.next_page(at)
        if end + self.unit <= boundary:
            return end
        return self.end(at, boundary - at - self.header_len)

    def settle_end(self, page, record):
        """Where a seal would end after a settle record that carries a copy of a record."""
        at = page + self.unit
        carried = self.addresses(at, self.header_len + 5)[-1]
        value = 8 if record.kind == TALLY else record.value_len
        end = self.end(carried, record.key_len + value)
        count = 0
        while self.addresses(carried, count + 1)[-1] < end:
            count += 1
        return self.end(self.place(self.end(at, 4 + count)), 0)

    def size(self, record):
        return self.up(self.header_len + record.key_len + record.value_len + self.trailer_len)

    def fits_with_tail(self, changes, tail):
        """Whether these records fit into a sector together with the tail's live ones, and a seal."""
        sizes = [self.size(change) for change in changes]
        for at, generation in self.live.values():
            if generation[1] == tail:
                met = self.examine(at, self.base(tail) + self.limit, generation, True)
                sizes += [self.size(met[0])] if met else []
        boundaries = (self.sector - 1 - self.first) // self.page
        room = self.limit - self.first - boundaries * self.unit
        seal = self.up(self.header_len + self.trailer_len)
        most = min(len(sizes) + 1, boundaries)
        return sum(sizes) + seal + most * (seal - self.unit) <= room

    def settings(self):
        """Each key with its value, which is None if it is damaged. None if there is no store."""
        head = self.head()
        if head is None:
            return None
        generation = head.epoch, head.sequence
        limit = self.limit
        while True:
            self.live = {}
            for sequence in range(head.sequence - head.older, head.sequence):
                after = self.successor(sequence, head)
                if after and after.passed_over and after.sequence == sequence + 1:
                    # This number has no sector.
                    continue
                accepted = min(after.previous_end, self.limit) if after else self.limit
                _, _, held = self.walk((head.epoch, sequence), accepted, accepted)
                self.apply(held)
            stop, last, held = self.walk(generation, head.proven_end, limit)
            base = self.base(head.sequence)
            suspect = last.suspect if last and last.at >= base + head.proven_end else None
            if suspect and suspect.kind == TALLY and self.value(suspect) is None:
                # Its cells are not sound: it is taken for torn.
                limit = last.at - base
                continue
            break
        copied = suspect and suspect.kind in (PUT, DELETE, TALLY, LOST, COMMIT)
        if copied and head.older + 3 >= self.sectors and head.older > 0:
            # The suspect itself may replace one of the tail's records.
            before = dict(self.live)
            self.apply(held)
            changes = self.changes(suspect, last.extent, generation)
            end = self.settle_end(self.free_page(stop, base + self.limit), suspect)
            if not self.fits_with_tail(changes, head.sequence - head.older) and end > base + self.limit:
                self.live = before
        else:
            self.apply(held)
        result = {}
        for key, (at, generation) in self.live.items():
            met = self.examine(at, self.base(generation[1]) + self.limit, generation, True)
            value = self.value(met[0]) if met and met[1] else None
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

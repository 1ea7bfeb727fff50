#!/usr/bin/env python3
"""Checks the structure of the source: no circle of files in a crate, and no file that is too long.

A circle of files is a set of files of one crate each of which uses, directly or through others,
every other one. None of them can be understood, tested or moved alone. A file uses another one
when a path in it (in a `use`, or in the code) leads to a module or an item there:

    use super::tear::Tear;          uses the file of `tear`
    crate::clock::Clock::start()    uses the file of `clock`
    use super::Chip;                uses the parent's file, even if that only re-exports `Chip`
    pub use chip::Chip;             uses the file of `chip`
    mod chip;                       is no use; the declaration alone makes no dependency

A parent that re-exports or calls its child, and a child that imports from its parent, are therefore
a circle. Import the sibling where it stands: `use super::sibling::Thing`.

Code for tests only (`#[cfg(test)]`, `#[test]`, the folders `tests`) is left out of the circles.
The check reads text, not types: a method call does not count as a use.

A file above 600 lines, tests included, needs a line of this form among its first 30:

    // Longer than 600 lines because REASON
"""

import argparse
import os
import re
import sys
import tempfile
from pathlib import Path

MAX_LINES = 600
REASON = re.compile(r"^\s*//[/!]? Longer than 600 lines because \S+")
REASON_WITHIN = 30
SKIPPED_FOLDERS = {"target", ".git"}

TOKEN = re.compile(
    r"""
      (?P<space>\s+|//[^\n]*)
    | (?P<block>/\*)
    | (?P<raw>b?r(?P<hashes>\#*)".*?"(?P=hashes))
    | (?P<string>[bc]?"(?:\\.|[^"\\])*")
    | (?P<char>b?'(?:\\[^\n']+|\\'|[^'\\\n])')
    | (?P<lifetime>'\w+)
    | (?P<word>(?:r\#)?\w+)
    | (?P<sign>::|.)
    """,
    re.VERBOSE | re.DOTALL,
)
OPEN, CLOSE = set("([{"), set(")]}")
ITEM_WORDS = set(
    "async const enum extern fn impl let macro_rules mod pub static struct trait type union unsafe use".split()
)
PATH_ATTRIBUTE = re.compile(r'#\[path\s*=\s*"([^"]+)"\]\s*(?:pub(?:\([^)]*\))?\s+)?mod\s+(\w+)\s*;')


def tokens(text):
    """The words and signs of the text with their lines; no comments, strings, characters, lifetimes."""
    found, at, line = [], 0, 1
    while at < len(text):
        match = TOKEN.match(text, at)
        end = match.end()
        if match.lastgroup == "block":
            depth = 1
            while depth and end < len(text):
                if text.startswith("/*", end):
                    depth, end = depth + 1, end + 2
                elif text.startswith("*/", end):
                    depth, end = depth - 1, end + 2
                else:
                    end += 1
        elif match.group("word") or match.group("sign"):
            found.append((match.group().removeprefix("r#"), line))
        line += text.count("\n", at, end)
        at = end
    return found


def only_for_tests(attribute):
    """Whether an attribute, as a list of words, keeps its item out of every build but a test's."""
    if attribute == ["test"]:
        return True
    if attribute[:2] != ["cfg", "("]:
        return False
    inner = attribute[2:-1]
    if inner == ["test"]:
        return True
    # `all(test, ..)`, at its first level.
    if inner[:2] != ["all", "("]:
        return False
    depth = 0
    for before, word in zip(inner[1:], inner[2:]):
        depth += (before in OPEN) - (before in CLOSE)
        if word == "test" and depth == 1:
            return True
    return False


class Module:
    """A module of a crate; one written inside braces shares the file of the one around it."""

    def __init__(self, name, file, parent, folder):
        self.name, self.file, self.parent, self.folder = name, file, parent, folder
        self.children, self.imports, self.globs, self.paths = {}, {}, [], []

    def root(self):
        return self if self.parent is None else self.parent.root()


class Reader:
    """Reads one file into its module, and the files of its child modules likewise."""

    def __init__(self, module, files):
        self.module, self.files = module, files
        text = module.file.read_text(encoding="utf-8")
        self.moved = {name: path for path, name in PATH_ATTRIBUTE.findall(text)}
        self.tokens, self.at = tokens(text), 0
        files.append(module.file)

    def word(self, ahead=0):
        at = self.at + ahead
        return self.tokens[at][0] if at < len(self.tokens) else ""

    def read(self, module=None):
        module = module or self.module
        depth, for_tests = 0, False
        while self.at < len(self.tokens):
            word = self.word()
            if word == "#" and self.word(1) in ("[", "!"):
                for_tests |= only_for_tests(self.attribute())
                continue
            if for_tests:
                self.skip_item()
                for_tests = False
                continue
            if word == "{":
                depth += 1
            elif word == "}":
                depth -= 1
                if depth < 0:
                    self.at += 1
                    return
            if word == "pub" and self.word(1) == "(":
                self.skip_group(1)
            elif word == "mod" and self.word(2) in (";", "{"):
                self.child(module)
            elif word == "use" and self.word(1) != "<":
                self.use(module)
            elif self.word(1) == "::" and re.match(r"\w", word):
                self.path(module)
            else:
                self.at += 1

    def attribute(self):
        start = self.at + (2 if self.word(1) == "!" else 1)
        self.skip_group(start - self.at)
        words = [word for word, _ in self.tokens[start + 1 : self.at - 1]]
        # `#![cfg(test)]` would be that of a whole file.
        return words if self.tokens[start - 1][0] == "#" else []

    def skip_group(self, ahead):
        """Past the bracket that closes the one that stands `ahead` tokens from here."""
        self.at += ahead
        depth = 0
        while self.at < len(self.tokens):
            depth += (self.word() in OPEN) - (self.word() in CLOSE)
            self.at += 1
            if depth == 0:
                return

    def skip_item(self):
        is_item, depth = self.word() in ITEM_WORDS, 0
        while self.at < len(self.tokens):
            word = self.word()
            if depth == 0 and (word in CLOSE):
                return
            depth += (word in OPEN) - (word in CLOSE)
            self.at += 1
            if depth == 0 and (word in (";", "}") or (word == "," and not is_item)):
                return

    def child(self, module):
        name, line, inside = self.word(1), self.tokens[self.at][1], self.word(2) == "{"
        self.at += 3
        if inside:
            child = Module(name, module.file, module, module.folder / name)
            module.children[name] = child
            self.read(child)
            return
        if name in self.moved:
            file = (module.file.parent / self.moved[name]).resolve()
            folder = file.parent
        else:
            file, folder = module.folder / f"{name}.rs", module.folder / name
            if not file.exists():
                file = folder / "mod.rs"
        if not file.exists():
            raise SystemExit(f"{module.file}:{line}: no file for the module {name}")
        child = Module(name, file, module, folder)
        module.children[name] = child
        Reader(child, self.files).read()

    def path(self, module):
        line, segments = self.tokens[self.at][1], [self.word()]
        self.at += 1
        while self.word() == "::" and re.match(r"\w", self.word(1)):
            segments.append(self.word(1))
            self.at += 2
        if self.word() == "::":
            self.at += 1
        module.paths.append((segments, line))

    def use(self, module):
        self.at += 1
        self.use_tree(module, [])

    def use_tree(self, module, before):
        segments = list(before)
        while self.at < len(self.tokens):
            word, line = self.tokens[self.at]
            self.at += 1
            if word == "::":
                continue
            if word == "{":
                while self.word() not in ("}", ""):
                    self.use_tree(module, segments)
                    if self.word() == ",":
                        self.at += 1
                self.at += 1
                return
            if word == "*":
                module.globs.append(segments)
                module.paths.append((segments, line))
                return
            if word != "self" or not segments:
                segments.append(word)
            if self.word() != "::":
                name = segments[-1]
                if self.word() == "as":
                    name = self.word(1)
                    self.at += 2
                module.imports[name] = segments
                module.paths.append((segments, line))
                return


def module_of(module, segments, seen=frozenset()):
    """The innermost module that a path leads into, and how many of its segments that takes."""
    first, taken = segments[0], 1
    if first == "crate":
        current = module.root()
    elif first in ("self", "super"):
        current = module if first == "self" else module.parent
        while current and taken < len(segments) and segments[taken] == "super":
            current, taken = current.parent, taken + 1
        if current is None:
            return None, 0
    elif first in module.children:
        current = module.children[first]
    elif first in module.imports and (module, first) not in seen:
        path = module.imports[first]
        current, used = module_of(module, path, seen | {(module, first)})
        if current is None or used < len(path):
            return None, 0
    else:
        for number, path in enumerate(module.globs):
            if (module, number) in seen:
                continue
            source, used = module_of(module, path, seen | {(module, number)})
            if source and used == len(path) and first in source.children:
                current = source.children[first]
                break
        else:
            return None, 0
    while taken < len(segments) and segments[taken] in current.children:
        current, taken = current.children[segments[taken]], taken + 1
    return current, taken


def edges_of(module, edges):
    """Adds what the module and those in it use, as {file: {file: (line, path)}}."""
    for segments, line in module.paths:
        target, _ = module_of(module, segments)
        if target and target.file != module.file:
            edges.setdefault(module.file, {}).setdefault(target.file, (line, "::".join(segments)))
    for child in module.children.values():
        edges_of(child, edges)


def circles(edges):
    """Strongly connected sets of more than one file (Tarjan's algorithm, without recursion)."""
    number, low, stack, on_stack, found = {}, {}, [], set(), []
    for start in sorted(edges):
        if start in number:
            continue
        work = [(start, iter(sorted(edges.get(start, ()))))]
        number[start] = low[start] = len(number)
        stack.append(start)
        on_stack.add(start)
        while work:
            file, following = work[-1]
            for other in following:
                if other not in number:
                    number[other] = low[other] = len(number)
                    stack.append(other)
                    on_stack.add(other)
                    work.append((other, iter(sorted(edges.get(other, ())))))
                    break
                if other in on_stack:
                    low[file] = min(low[file], number[other])
            else:
                work.pop()
                if work:
                    low[work[-1][0]] = min(low[work[-1][0]], low[file])
                if low[file] == number[file]:
                    circle = []
                    while not circle or circle[-1] != file:
                        circle.append(stack.pop())
                        on_stack.discard(circle[-1])
                    if len(circle) > 1:
                        found.append(sorted(circle))
    return found


def roots(package):
    """The files that crates of the package start from: those in `src` that no other declares."""
    source = package / "src"
    named = [source / "lib.rs", source / "main.rs", *sorted((source / "bin").glob("*.rs"))]
    return [file for file in named if file.exists()] + sorted(source.glob("*.rs"))


def check_package(package):
    """Reads the crates of a package. Returns files, number of edges, and circles with their edges."""
    files, edges = [], {}
    for file in roots(package):
        if file not in files:
            module = Module("crate", file, None, file.parent)
            Reader(module, files).read()
            edges_of(module, edges)
    found = []
    for circle in circles(edges):
        uses = [
            (file, line, path, other)
            for file in circle
            for other, (line, path) in sorted(edges[file].items())
            if other in circle
        ]
        found.append((circle, uses))
    return files, sum(map(len, edges.values())), found


def long_files(folder):
    """All files with their length, and those too long that give no reason."""
    count, found = 0, []
    for file in sorted(walk(folder, ".rs")):
        lines = file.read_text(encoding="utf-8").splitlines()
        count += 1
        if len(lines) > MAX_LINES and not any(map(REASON.match, lines[:REASON_WITHIN])):
            found.append((file, len(lines)))
    return count, found


def walk(folder, ending):
    for place, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if name not in SKIPPED_FOLDERS)
        yield from (Path(place) / name for name in names if name.endswith(ending))


def counted(number, word):
    """The number with its word, such as "no circles" or "1 file"."""
    return f"{number or 'no'} {word}{'s' * (number != 1)}"


def check(folder):
    """Checks every package below a folder and prints what it saw. Returns the number of faults."""
    faults = 0
    packages = sorted(file.parent for file in walk(folder, "Cargo.toml") if (file.parent / "src").is_dir())
    if not packages:
        raise SystemExit(f"{folder}: no package with a folder src")
    for package in packages:
        files, uses, found = check_package(package)
        name = package.relative_to(folder)
        print(f"{name}: {counted(len(set(files)), 'file')}, {counted(uses, 'use')}, {counted(len(found), 'circle')}")
        for circle, inside in found:
            faults += 1
            print(f"  circle of {len(circle)} files:")
            for file, line, path, other in inside:
                print(f"    {file.relative_to(folder)}:{line}: {path} uses {other.relative_to(folder)}")
    count, found = long_files(folder)
    for file, lines in found:
        faults += 1
        print(f"{file.relative_to(folder)}: {lines} lines, more than {MAX_LINES}, and no reason is given")
    print(f"{counted(len(packages), 'package')}; {counted(count, 'file')}, tests included, checked for their length")
    return faults


def write(folder, files):
    for name, text in files.items():
        file = folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")


def self_test():
    """Runs the check on small trees with and without faults, built in a temporary folder."""
    tidy = {
        "Cargo.toml": "",
        "src/lib.rs": "mod a; mod b; pub use a::A; /* crate::a /* nested */ crate::b */",
        # Comments, strings and test code do not count; neither does the path in a visibility.
        "src/a.rs": """
            pub(in crate::b) struct A; // crate::b::deep::B
            const TEXT: &str = "crate::b::deep::B"; const RAW: &str = r#"" crate::b "#; const QUOTE: char = '"';
            #[cfg(test)] fn only_in_tests<A, B>(x: [u8; 2]) { crate::b::f() }
            #[cfg(all(test, unix))] mod tests { use crate::b::deep::B; }
        """,
        "src/b/mod.rs": "pub mod deep; pub mod other; pub use deep::B; fn f() {}",
        "src/b/deep.rs": "use super::other::{self, O}; use super::super::a::A; pub struct B;",
        "src/b/other.rs": "pub struct O; impl O { fn f<'a>(x: &'a u8) -> char { 'x' } }",
    }
    faults = {
        "a path in the code": {"src/a.rs": "pub struct A; fn f() { crate::b::deep::g() }"},
        "a re-export of the parent": {"src/b/other.rs": "use super::B; pub struct O;"},
        "two levels up": {"src/a.rs": "pub use super::b::deep::B as A;"},
        "an imported module": {"src/a.rs": "use crate::b; fn f() { b::deep::g() }"},
        "a module in braces": {"src/a.rs": "pub struct A; mod inner { fn f() { super::super::b::deep::g() } }"},
        "a glob": {"src/a.rs": "use crate::b::deep::*;"},
        "a list in a list": {"src/a.rs": "use crate::{b::{deep::{B}}};"},
        "not only for tests": {"src/a.rs": "#[cfg(any(test, unix))] use crate::b::deep::B;"},
        "the root": {"src/a.rs": "use crate::Thing; pub struct A;"},
    }
    with tempfile.TemporaryDirectory() as place:
        for number, (name, changed) in enumerate({"tidy": {}, **faults}.items()):
            folder = Path(place) / str(number)
            write(folder, tidy | changed)
            files, _, found = check_package(folder)
            assert len(files) == 5, (name, files)
            assert len(found) == (name != "tidy"), (name, found)
        folder = Path(place) / "long"
        reason = "// Longer than 600 lines because it is a table."
        write(folder, {"short.rs": "\n" * 600, "long.rs": "\n" * 601, "table.rs": reason + "\n" * 601})
        count, found = long_files(folder)
        assert (count, found) == (3, [(folder / "long.rs", 601)]), found
    print(f"self-test passed: {len(faults)} circles and a long file found, tidy code accepted")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent.parent,
                        help="where to look for packages; the repository if not given")
    parser.add_argument("--self-test", action="store_true", help="check this check on small trees, and nothing else")
    options = parser.parse_args()
    if options.self_test:
        self_test()
    elif check(options.folder.resolve()):
        print("the structure has faults", file=sys.stderr)
        sys.exit(1)


if __name__ == "__main__":
    main()

#!/usr/bin/env python3
"""Compares the image files of `outlast image build` with what other readers make of them.

Intel HEX: the package `intelhex` reads ours, and we read its. The checksum: `zlib` of the standard
library. `image_outside.py OUTLAST SETTINGS`; needs `pip install intelhex`.
"""

import json
import subprocess
import sys
import tempfile
import zlib
from pathlib import Path

from intelhex import IntelHex

outlast, settings = sys.argv[1:3]
base = 0x0800_FF00


def run(*words):
    done = subprocess.run([outlast, "image", *map(str, words)], capture_output=True, check=True)
    return done.stdout


with tempfile.TemporaryDirectory() as folder:
    raw, hexed, sparse, theirs = (Path(folder) / name for name in ("a.bin", "a.hex", "b.hex", "c.hex"))
    told = json.loads(run("build", settings, "--output", raw, "--json"))
    image = raw.read_bytes()
    assert int(told["images"][0]["crc32"], 16) == zlib.crc32(image)

    run("build", settings, "--output", hexed, "--base", base)
    read = IntelHex(str(hexed))
    assert (read.minaddr(), read.maxaddr()) == (base, base + len(image) - 1)
    assert read.tobinstr(start=base, size=len(image)) == image

    run("build", settings, "--output", sparse, "--base", base, "--skip-blank")
    read = IntelHex(str(sparse))
    assert len(read) < len(image)
    assert read.tobinstr(start=base, size=len(image)) == image

    written = IntelHex()
    written.puts(0x1234_0000, image)
    written.write_hex_file(str(theirs))
    first = json.loads(run("show", raw, "--json"))
    second = json.loads(run("show", theirs, "--json"))
    assert second["layout"]["base"] == 0x1234_0000
    assert first["records"] == second["records"] and first["keys"]
print(f"{len(image)} bytes agree")

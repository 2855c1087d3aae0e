"""Hex files written and read by intelhex and bincopy, for tests/outside/hex.rs.

    hex.py make FOLDER SEED COUNT   random images, each in the forms the two libraries write
    hex.py read FOLDER              every file of FOLDER, as the libraries read it

Both print JSON: image or file name -> reader -> list of [address, bytes in hex].
"""

import json
import random
import sys
from pathlib import Path

import bincopy
import intelhex


def joined(segments):
    """Runs that touch are one."""
    runs = []
    for address, data in sorted(segments):
        if runs and runs[-1][0] + len(runs[-1][1]) == address:
            runs[-1][1].extend(data)
        else:
            runs.append([address, bytearray(data)])
    return [[address, data.hex()] for address, data in runs]


def by_bincopy(path):
    binfile = bincopy.BinFile()
    text = path.read_text()
    if path.suffix == ".hex":
        binfile.add_ihex(text)
    elif path.suffix == ".srec":
        binfile.add_srec(text)
    else:
        binfile.add_ti_txt(text)
    return joined((s.address, s.data) for s in binfile.segments)


def by_intelhex(path):
    hexfile = intelhex.IntelHex(str(path))
    return joined((a, hexfile.tobinstr(a, b - 1)) for a, b in hexfile.segments())


def read(folder):
    result = {}
    for path in sorted(folder.iterdir()):
        readers = {}
        if path.suffix in (".hex", ".srec", ".ti"):
            readers["bincopy"] = by_bincopy(path)
        if path.suffix == ".hex":
            readers["intelhex"] = by_intelhex(path)
        if readers:
            result[path.name] = readers
    return result


def random_image(rng):
    """A few runs with gaps, somewhere in 16, 20 or 32 bits of addresses."""
    top = 1 << rng.choice([16, 20, 32])
    base = rng.choice([0, rng.randrange(top - 0x4000), max(0, top // 2 - 0x800)])
    runs, address = [], base + rng.randrange(64)
    for _ in range(rng.randrange(1, 7)):
        length = rng.randrange(1, 700)
        if address + length > top:
            break
        runs.append((address, rng.randbytes(length)))
        address += length + rng.randrange(1, 900)
    return top, runs or [(base, b"\x5a")]


def make(folder, seed, count):
    rng = random.Random(seed)
    images = {}
    for n in range(count):
        top, runs = random_image(rng)
        length = rng.choice([1, 7, 16, 32, 64])
        binfile, hexfile = bincopy.BinFile(), intelhex.IntelHex()
        for address, data in runs:
            binfile.add_binary(data, address)
            hexfile.puts(address, data)
        bits = {1 << 16: 16, 1 << 20: 24, 1 << 32: 32}[top]
        # bincopy's 16 bits of Intel HEX are plain records, its 24 bits segment addresses.
        files = {
            "bincopy.hex": binfile.as_ihex(length, bits),
            "bincopy.srec": binfile.as_srec(length, bits),
            "bincopy.ti": binfile.as_ti_txt(),
        }
        for name, text in files.items():
            (folder / f"{n}.{name}").write_text(text)
        end = rng.choice(["native", "CRLF"])
        hexfile.write_hex_file(str(folder / f"{n}.intelhex.hex"), byte_count=length, eolstyle=end)
        images[str(n)] = {"image": joined(runs)}
    return images


folder = Path(sys.argv[2])
done = make(folder, int(sys.argv[3]), int(sys.argv[4])) if sys.argv[1] == "make" else read(folder)
json.dump(done, sys.stdout)

"""Reads the cases that codec.rs wrote and says where bitstruct, or plain arithmetic, disagrees."""

import json
import sys

import bitstruct


def mirrored(data):
    """Each byte's bits the other way round: bitstruct counts a byte's bits from the most significant."""
    return bytes(int(f"{byte:08b}"[::-1], 2) for byte in data)


def read(case, image):
    size = case["bytes"]
    widths = case["widths"]
    entries = len(image) // size
    if case["kind"] == "scattered":
        places = iter(case["places"])
        out = []
        for _ in range(entries):
            row = []
            for width in widths:
                code = 0
                for k in range(width):
                    cell, line, inverted = next(places)
                    code += (image[cell] // 2**line % 2 ^ inverted) * 2**k
                row.append(code)
            out.append(row)
        return out
    if case["kind"] == "msb-first":
        fields = "".join(f">u{width}" for width in widths)
        data = bytes(image)
    else:
        fields = "".join(f"<u{width}" for width in widths)
        data = mirrored(image)
    return [list(bitstruct.unpack_from(fields, data, 8 * size * e)) for e in range(entries)]


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        cases = json.load(file)
    for number, case in enumerate(cases):
        if read(case, case["image"]) != case["decoded"]:
            sys.exit(f"case {number} ({case['kind']}): decoded otherwise")
        if read(case, case["encoded"]) != case["written"]:
            sys.exit(f"case {number} ({case['kind']}): encoded otherwise")
        claimed = {}
        for cell, line, _ in case["places"]:
            claimed[cell] = claimed.get(cell, 0) | 1 << line
        for cell, (old, new) in enumerate(zip(case["image"], case["encoded"], strict=True)):
            if (old ^ new) & ~claimed.get(cell, 0):
                sys.exit(f"case {number} ({case['kind']}): an unclaimed bit of cell {cell} moved")
    print(f"{len(cases)} cases agree")


main()

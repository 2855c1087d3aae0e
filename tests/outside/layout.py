"""An independent, slow evaluator of the layout language, written from "How the arithmetic goes" of formats/README.md.

Reads a JSON list of cases from standard input, each with the TOML of a layout and the places the program found, and
says where it disagrees. TOML is read by Python's own tomllib; each layout is also held against the published JSON
Schema with jsonschema.
"""

import itertools
import json
import sys
import tomllib

import jsonschema


def bit(number, n):
    return (number >> n) & 1


def signal(text, counters):
    value = 0
    for part in text.split("^"):
        part = part.strip()
        inverted = 0
        while part.startswith("!"):
            inverted ^= 1
            part = part[1:].strip()
        if part in ("0", "1"):
            value ^= int(part) ^ inverted
        else:
            name, n = part.split(".")
            value ^= bit(counters.get(name, 0), int(n)) ^ inverted
    return value


def pins_needed(words):
    n = 0
    while 2**n < words:
        n += 1
    return n


def labels(axis):
    first = axis.get("first", 1)
    return [str(label) for label in axis.get("labels", range(first, first + axis["count"]))]


def counter(axis, name, index, chip):
    """The counter of a position on a chip, or None where another chip holds it."""
    held = axis["count"]
    if name in chip.get("holds", {}):
        here = [str(label) for label in chip["holds"][name]]
        label = labels(axis)[index]
        if label not in here:
            return None
        held = len(here)
        place = here.index(label)
    else:
        place = axis["order"][index] if "order" in axis else index
    counts = axis.get("counts", "up")
    if counts == "down":
        place = held - 1 - place
    elif counts == "gray":
        place = place ^ (place >> 1)
    return place


def whole_chips(layout):
    by_id = {}
    for chip in layout["chip"]:
        whole = {k: v for k, v in by_id.get(chip.get("like"), {}).items() if k not in ("aliases", "position")}
        whole.update(chip)
        by_id[chip["id"]] = whole
    return [by_id[chip["id"]] for chip in layout["chip"]]


def carried(chip):
    data = chip.get("data", [f"q.{i}" for i in range(chip["width"])])
    for pin, text in enumerate(data):
        if text != "-":
            plain = text.lstrip("!")
            yield pin, int(plain.split(".")[1]), (len(text) - len(plain)) % 2 == 1


def pieces(parameter):
    """Slot and bit of each code bit, the least significant first."""
    texts = parameter["bits"]
    texts = texts if isinstance(texts, list) else [texts]
    out = []
    for text in texts:
        slot = parameter.get("slot", 0)
        head, dot, tail = text.partition(".")
        if dot and not tail.startswith("."):
            slot, text = int(head, 0), tail
        high, _, low = text.partition("..")
        high, low = int(high), int(low or high)
        step = -1 if high >= low else 1
        out += [(slot, b) for b in range(high, low + step, step)]
    return out[::-1]


def place(area, chips, lines, indices, slot, b):
    word = area.get("word", lines)
    steps = -(-word // lines)
    part = b // lines
    t = area.get("start", 0) + (part if area.get("first", "msb") == "lsb" else steps - 1 - part)
    period = area.get("period", area.get("start", 0) + steps)
    found = []
    for chip in chips:
        counters = {"slot": slot, "step": t}
        a = area.get("at", 0) + slot * period + t
        for (name, axis), index in zip(area.get("axes", {}).items(), indices):
            c = counter(axis, name, index, chip)
            if c is None:
                break
            counters[name] = c
            a += axis.get("at", 0) + axis.get("stride", 0) * c
        else:
            counters["a"] = a
            if not all(signal(s, counters) for s in chip.get("enable", [])):
                continue
            address = chip.get("address", [f"a.{i}" for i in range(pins_needed(chip["words"]))])
            cell = sum(signal(s, counters) << i for i, s in enumerate(address))
            for pin, line, inverted in carried(chip):
                if line == b % lines:
                    found.append((chip["id"], cell, pin, inverted))
    if len(found) != 1:
        raise ValueError(f"{len(found)} chips answer for slot {slot} bit {b} at {indices}")
    return found[0]


def places(layout):
    """Every parameter's bits: area, entry, key, then chip:cell:line with ! where inverted."""
    chips = whole_chips(layout)
    for area in layout["area"]:
        mine = [c for c in chips if c["id"] in area.get("chips", [c["id"]])]
        lines = area.get("lines", max(line + 1 for c in mine for _, line, _ in carried(c)))
        counts = [range(axis["count"]) for axis in area.get("axes", {}).values()]
        for entry, indices in enumerate(itertools.product(*counts)):
            for parameter in area["parameter"]:
                shown = []
                for character in range(parameter.get("chars", 1)):
                    for slot, b in pieces(parameter):
                        slot += character * parameter.get("every", 1)
                        chip, cell, pin, inverted = place(area, mine, lines, indices, slot, b)
                        inverted ^= parameter.get("inverted", False)
                        shown.append(f"{'!' if inverted else ''}{chip}:{cell}:{pin}")
                yield f"{area['name']} {entry} {parameter['key']}", shown


def main():
    given = json.load(sys.stdin)
    validator = jsonschema.Draft202012Validator(given["schema"])
    jsonschema.Draft202012Validator.check_schema(given["schema"])
    bits = 0
    for number, case in enumerate(given["cases"]):
        layout = tomllib.loads(case["toml"])
        for error in validator.iter_errors(layout):
            sys.exit(f"case {number} does not keep the schema: {error.message}\n{case['toml']}")
        expected = case["places"]
        mine = dict(places(layout))
        if mine != expected:
            for name in sorted(set(mine) | set(expected)):
                if mine.get(name) != expected.get(name):
                    sys.exit(f"case {number}, {name}: {mine.get(name)} here, {expected.get(name)} there\n{case['toml']}")
        bits += sum(map(len, mine.values()))
    for text, wrong in given["wrong"]:
        if not list(validator.iter_errors(tomllib.loads(text))):
            sys.exit(f"the schema lets {wrong} pass")
    print(json.dumps({"cases": len(given["cases"]), "bits": bits}))


main()

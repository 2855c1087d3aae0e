"""Single-bit errors under CRC-16/XMODEM, by brute force over binascii.crc_hqx."""

import binascii
import json
import sys


def located(entry):
    """Every bit (byte, line) that, flipped alone, makes the last two bytes the CRC of those before, high byte first."""
    found = []
    for at in range(8 * len(entry)):
        tried = bytearray(entry)
        tried[at // 8] ^= 1 << at % 8
        if binascii.crc_hqx(bytes(tried[:-2]), 0) == int.from_bytes(tried[-2:], "big"):
            found.append([at // 8, at % 8])
    return found


asked = json.load(sys.stdin)
json.dump({
    "located": [located(e) for e in asked["entries"]],
}, sys.stdout)

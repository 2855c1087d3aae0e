"""Single-bit errors under a CRC, by brute force over Python's own: CRC-16/XMODEM and CRC-32/ISO-HDLC."""

import binascii
import json
import sys
import zlib

CRCS = {
    "CRC_16_XMODEM": lambda data: binascii.crc_hqx(data, 0),
    "CRC_32_ISO_HDLC": zlib.crc32,
}


def located(entry, crc, width):
    """Every bit (byte, line) that, flipped alone, makes the last bytes the CRC of those before, high byte first."""
    found = []
    for at in range(8 * len(entry)):
        tried = bytearray(entry)
        tried[at // 8] ^= 1 << at % 8
        if crc(bytes(tried[:-width])) == int.from_bytes(tried[-width:], "big"):
            found.append([at // 8, at % 8])
    return found


asked = json.load(sys.stdin)
json.dump({
    "located": [located(e, CRCS[asked["crc"]], asked["bytes"]) for e in asked["entries"]],
}, sys.stdout)

"""Looks at a picture: prints {width, height, corner, colours} of the PNG file that is named.

`corner` is the colour of the first pixel, `colours` how often each colour of at least a thousand pixels stands in it, by
"r,g,b". PNG, second edition (W3C Recommendation, ISO/IEC 15948): 8 bits a sample, truecolour with or without alpha, not interlaced.
"""

import json
import struct
import sys
import zlib
from collections import Counter


def chunks(data):
    place = 8
    while place < len(data):
        length, kind = struct.unpack(">I4s", data[place : place + 8])
        yield kind, data[place + 8 : place + 8 + length]
        place += 12 + length


def rows(raw, width, height, samples):
    stride, before = width * samples, bytearray(width * samples)
    for row in range(height):
        start = row * (stride + 1)
        kind, line = raw[start], bytearray(raw[start + 1 : start + 1 + stride])
        for i in range(stride):
            left = line[i - samples] if i >= samples else 0
            up, corner = before[i], before[i - samples] if i >= samples else 0
            if kind == 1:
                line[i] = (line[i] + left) & 255
            elif kind == 2:
                line[i] = (line[i] + up) & 255
            elif kind == 3:
                line[i] = (line[i] + (left + up) // 2) & 255
            elif kind == 4:
                guess = left + up - corner
                best = min((left, up, corner), key=lambda one: abs(guess - one))
                line[i] = (line[i] + best) & 255
        yield line
        before = line


def main():
    with open(sys.argv[1], "rb") as file:
        data = file.read()
    assert data[:8] == b"\x89PNG\r\n\x1a\n", "no PNG"
    found = list(chunks(data))
    width, height, depth, colour, _, _, interlace = struct.unpack(">IIBBBBB", found[0][1])
    assert depth == 8 and colour in (2, 6) and interlace == 0, (depth, colour, interlace)
    samples = 3 if colour == 2 else 4
    raw = zlib.decompress(b"".join(part for kind, part in found if kind == b"IDAT"))
    counts, corner = Counter(), None
    for line in rows(raw, width, height, samples):
        pixels = [bytes(line[i : i + 3]) for i in range(0, len(line), samples)]
        corner = corner or list(pixels[0])
        counts.update(pixels)
    often = {",".join(map(str, colour)): count for colour, count in counts.items() if count >= 1000}
    print(json.dumps({"width": width, "height": height, "corner": corner, "colours": often}))


main()

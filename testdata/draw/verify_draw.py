#!/usr/bin/env python3
"""Check a draw without Lastlook.

Reads a description of a draw (JSON, from a file or standard input), works out
which packages had to be examined, and says whether that is what the description
claims. Needs Python 3.8 and nothing else. It shares no code with Lastlook; it
was written from

  RFC 9381  Verifiable Random Functions (ECVRF-EDWARDS25519-SHA512-TAI)
  RFC 8032  Edwards-Curve Digital Signature Algorithm (the group, its encoding)
  c2sp.org/chacha8rand  (the stream of random numbers)

and from the description of the shuffle in the documentation of package draw. It
is slow and not safe for secrets: it only ever sees public values.

usage: verify_draw.py [FILE]

The description has:
  key      the site's public key, 64 hexadecimal digits
  proof    160 hexadecimal digits
  alpha    what the draw is bound to: site, consignment, number, round, rules,
           rate, minimum, spread, packages, examine, quotas, list
  lines    optional: the sealed list; its hash is then checked against alpha.list.
           A line may have "removed": the numbers of packages taken out of it
  sizes    packages of each crop line, if there are quotas and no lines
  seed     optional: the seed claimed
  drawn    optional: the packages claimed, in draw order
Prints one JSON object with the seed, the packages drawn and the reserves.
Exit status: 0 all agrees, 1 something does not (said on standard error), 2 unusable.
"""

import hashlib
import json
import struct
import sys

# --- the group, RFC 8032 section 5.1 ---------------------------------------

P = 2**255 - 19
Q = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT = pow(2, (P - 1) // 4, P)  # of -1
NEUTRAL = (0, 1, 1, 0)  # X, Y, Z, T with x = X/Z, y = Y/Z, xy = T/Z


def add(a, b):
    aa = (a[1] - a[0]) * (b[1] - b[0]) % P
    bb = (a[1] + a[0]) * (b[1] + b[0]) % P
    cc = 2 * a[3] * b[3] * D % P
    dd = 2 * a[2] * b[2] % P
    e, f, g, h = bb - aa, dd - cc, dd + cc, bb + aa
    return (e * f % P, g * h % P, f * g % P, e * h % P)


def mul(n, a):
    r = NEUTRAL
    while n > 0:
        if n & 1:
            r = add(r, a)
        a = add(a, a)
        n >>= 1
    return r


def same(a, b):
    return (a[0] * b[2] - b[0] * a[2]) % P == 0 and (a[1] * b[2] - b[1] * a[2]) % P == 0


def encode(a):
    z = pow(a[2], P - 2, P)
    x, y = a[0] * z % P, a[1] * z % P
    return (y | (x & 1) << 255).to_bytes(32, "little")


def decode(b):
    """The point, or None."""
    n = int.from_bytes(b, "little")
    sign, y = n >> 255, n & ((1 << 255) - 1)
    if y >= P:
        return None
    xx = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(xx, (P + 3) // 8, P)
    if (x * x - xx) % P:
        x = x * ROOT % P
    if (x * x - xx) % P:
        return None
    if x == 0 and sign:
        return None
    if x & 1 != sign:
        x = P - x
    return (x, y, 1, x * y % P)


_by = 4 * pow(5, P - 2, P) % P
BASE = decode(_by.to_bytes(32, "little"))

# --- the verifiable random function, RFC 9381 ------------------------------

SUITE = b"\x03"


def hash_to_curve(key, alpha):  # section 5.4.1.1
    for ctr in range(256):
        h = hashlib.sha512(SUITE + b"\x01" + key + alpha + bytes([ctr, 0])).digest()
        point = decode(h[:32])
        if point is not None:
            point = mul(8, point)
            if not same(point, NEUTRAL):
                return point
    raise ValueError("the input hashes to no point")


def vrf_verify(key, alpha, proof):  # section 5.3
    """The 64 bytes of output, or None."""
    if len(key) != 32 or len(proof) != 80:
        return None
    y = decode(key)
    if y is None or same(mul(8, y), NEUTRAL):  # section 5.4.5
        return None
    gamma = decode(proof[:32])
    c = int.from_bytes(proof[32:48], "little")
    s = int.from_bytes(proof[48:], "little")
    if gamma is None or s >= Q:
        return None
    h = hash_to_curve(key, alpha)
    u = add(mul(s, BASE), mul(Q * 8 - c, y))
    v = add(mul(s, h), mul(Q * 8 - c, gamma))
    points = key + encode(h) + encode(gamma) + encode(u) + encode(v)
    if hashlib.sha512(SUITE + b"\x02" + points + b"\x00").digest()[:16] != proof[32:48]:
        return None
    return hashlib.sha512(SUITE + b"\x03" + encode(mul(8, gamma)) + b"\x00").digest()


# --- the stream, c2sp.org/chacha8rand --------------------------------------


def rotl(x, n):
    return ((x << n) | (x >> (32 - n))) & 0xFFFFFFFF


def quarter(w, a, b, c, d):
    w[a] = (w[a] + w[b]) & 0xFFFFFFFF
    w[d] = rotl(w[d] ^ w[a], 16)
    w[c] = (w[c] + w[d]) & 0xFFFFFFFF
    w[b] = rotl(w[b] ^ w[c], 12)
    w[a] = (w[a] + w[b]) & 0xFFFFFFFF
    w[d] = rotl(w[d] ^ w[a], 8)
    w[c] = (w[c] + w[d]) & 0xFFFFFFFF
    w[b] = rotl(w[b] ^ w[c], 7)


def block(key, counter):
    w = list(struct.unpack("<4I", b"expand 32-byte k")) + list(key) + [counter, 0, 0, 0]
    for _ in range(4):
        quarter(w, 0, 4, 8, 12)
        quarter(w, 1, 5, 9, 13)
        quarter(w, 2, 6, 10, 14)
        quarter(w, 3, 7, 11, 15)
        quarter(w, 0, 5, 10, 15)
        quarter(w, 1, 6, 11, 12)
        quarter(w, 2, 7, 8, 13)
        quarter(w, 3, 4, 9, 14)
    for i in range(8):  # only the key is added back
        w[4 + i] = (w[4 + i] + key[i]) & 0xFFFFFFFF
    return w


def stream(seed):
    while True:
        key = struct.unpack("<8I", seed)
        out = b""
        for group in range(4):
            blocks = [block(key, 4 * group + i) for i in range(4)]
            out += b"".join(struct.pack("<4I", *(b[i] for b in blocks)) for i in range(16))
        yield from struct.unpack("<124Q", out[:992])
        seed = out[992:]


# --- the draw ---------------------------------------------------------------


def order(seed, n):
    numbers = stream(seed)
    places = list(range(1, n + 1))
    for i in range(n - 1):
        m = n - i
        while True:
            x = next(numbers)
            if x < 2**64 - 2**64 % m:
                break
        j = i + x % m
        places[i], places[j] = places[j], places[i]
    return places


def select(seed, n, examine, quotas, sizes):
    if not quotas:
        places = order(seed, n)
        return places[:examine], places[examine:]
    line, lines = 0, []
    for i, size in enumerate(sizes):
        lines += [i] * size
    left, drawn, reserves = list(quotas), [], []
    for number in order(seed, n):
        line = lines[number - 1]
        if left[line] > 0:
            left[line] -= 1
            drawn.append(number)
        else:
            reserves.append(number)
    return drawn, reserves


def fields(values):
    out = b""
    for v in values:
        v = v.encode() if isinstance(v, str) else str(v).encode()
        out += struct.pack(">Q", len(v)) + v
    return out


def alpha_bytes(a):
    quotas = a.get("quotas") or []
    return fields(
        ["lastlook draw 1", a["site"], a["consignment"], a["number"], a["round"]]
        + [a["rules"], a["rate"], a["minimum"], "spread" if a["spread"] else "plain"]
        + [a["packages"], a["examine"], len(quotas)]
        + quotas
        + [a["list"]]
    )


def list_digest(a, lines):
    values = ["lastlook package list 1", a["consignment"], a["number"], a["round"], len(lines)]
    for line in lines:
        refs = line.get("refs") or []
        values += [line["crop"], line.get("batch", ""), line.get("bay", "")]
        values += [line["packages"], line["units_per_package"], len(refs)] + refs
    gone = [n for line in lines for n in line.get("removed") or []]
    if gone:
        values += ["removed", len(gone)] + gone
    return hashlib.sha256(fields(values)).hexdigest()


def check(draw):
    """What was worked out, and the sentences about what does not agree."""
    a, wrong, there = draw["alpha"], [], None
    alpha = alpha_bytes(a)
    sizes = draw.get("sizes") or []
    if draw.get("lines"):
        # Packages that were taken out keep their numbers: the draw counts the others.
        first, there, sizes = 1, [], []
        for line in draw["lines"]:
            gone = set(line.get("removed") or [])
            left = [n for n in range(first, first + line["packages"]) if n not in gone]
            first += line["packages"]
            there += left
            sizes.append(len(left))
        if list_digest(a, draw["lines"]) != a["list"]:
            wrong.append("the package list is not the one that was sealed")
        if sum(sizes) != a["packages"]:
            wrong.append("the package list has another number of packages")
    out = vrf_verify(bytes.fromhex(draw["key"]), alpha, bytes.fromhex(draw["proof"]))
    if out is None:
        return {"alpha": alpha.hex()}, wrong + ["the proof does not belong to this key and this list"]
    seed = out[:32]
    drawn, reserves = select(seed, a["packages"], a["examine"], a.get("quotas"), sizes)
    if there is not None and len(there) == a["packages"]:
        drawn, reserves = [there[n - 1] for n in drawn], [there[n - 1] for n in reserves]
    if draw.get("seed") not in (None, seed.hex()):
        wrong.append("the seed is another one")
    if draw.get("drawn") not in (None, drawn):
        wrong.append("other packages were drawn")
    return {"alpha": alpha.hex(), "seed": seed.hex(), "drawn": drawn, "reserves": reserves}, wrong


def main():
    try:
        with open(sys.argv[1]) if len(sys.argv) > 1 else sys.stdin as f:
            draw = json.load(f)
        result, wrong = check(draw)
    except (OSError, ValueError, KeyError, TypeError, IndexError) as e:
        print("verify_draw: the description cannot be used: %r" % e, file=sys.stderr)
        return 2
    print(json.dumps(result))
    for sentence in wrong:
        print("verify_draw: " + sentence, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

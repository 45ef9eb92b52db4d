"""Checks journals, proofs and checkpoints by the published forms alone: RFC 6962 trees, RFC 8032 signatures, and the notes,
checkpoints and proof files of C2SP (c2sp.org/signed-note, /tlog-checkpoint, /tlog-proof). Nothing but Python's own library.

Reads one JSON object and prints one with the same names:
  exports      list of {text, key}                    -> list of {whole, size, root, why}
  proofs       list of {text, key}                    -> list of {proven, number, leaf, why}
  consistency  list of {old, new, hashes, key}        -> list of booleans; old and new are notes
  signatures   list of {public, message, signature}   -> list of booleans; all hexadecimal
  trees        {leaves, inclusion, consistency}       -> {inclusion, consistency}: how many proofs hold, of leaves that are the
               four bytes of their number; inclusion [[number, size, hashes]], consistency [[old, new, hashes]]
"""

import base64
import hashlib
import json
import sys

# --- Ed25519, from the formulas of RFC 8032, section 5.1 ---

P = 2**255 - 19
ORDER = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT_OF_MINUS_1 = pow(2, (P - 1) // 4, P)


def x_of(y, is_odd):
    """The x that belongs to a y, of the parity asked for; none where there is no such point."""
    if y >= P:
        return None
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if x * x % P != square:
        x = x * ROOT_OF_MINUS_1 % P
    if x * x % P != square or (x == 0 and is_odd):
        return None
    return x if x & 1 == is_odd else P - x


def add(a, b):
    """The sum of two points (X, Y, Z, T) with x = X/Z, y = Y/Z, xy = T/Z."""
    minus = (a[1] - a[0]) * (b[1] - b[0])
    plus = (a[1] + a[0]) * (b[1] + b[0])
    c, d = 2 * a[3] * b[3] * D, 2 * a[2] * b[2]
    e, f, g, h = plus - minus, d - c, d + c, plus + minus
    return e * f % P, g * h % P, f * g % P, e * h % P


def times(n, point):
    total = (0, 1, 1, 0)
    while n:
        if n & 1:
            total = add(total, point)
        point = add(point, point)
        n >>= 1
    return total


def point_in(data):
    number = int.from_bytes(data, "little")
    y, is_odd = number & (2**255 - 1), number >> 255
    x = x_of(y, is_odd)
    return None if x is None else (x, y, 1, x * y % P)


BASE_Y = 4 * pow(5, P - 2, P) % P
BASE = point_in(BASE_Y.to_bytes(32, "little"))


def is_signed(public, message, signature):
    if len(public) != 32 or len(signature) != 64:
        return False
    key, r = point_in(public), point_in(signature[:32])
    s = int.from_bytes(signature[32:], "little")
    if key is None or r is None or s >= ORDER:
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little") % ORDER
    left, right = times(s, BASE), add(r, times(k, key))
    return (left[0] * right[2] - right[0] * left[2]) % P == 0 and (left[1] * right[2] - right[1] * left[2]) % P == 0


# --- RFC 6962, section 2.1 ---


def leaf_hash(data):
    return hashlib.sha256(b"\0" + data).digest()


def node(left, right):
    return hashlib.sha256(b"\1" + left + right).digest()


def split(n):
    """The largest power of two below n."""
    return 1 << ((n - 1).bit_length() - 1)


def tree_root(hashes):
    """The root, put together level by level from the right: another way than the service's."""
    if not hashes:
        return hashlib.sha256(b"").digest()
    while len(hashes) > 1:
        paired = [node(a, b) for a, b in zip(hashes[::2], hashes[1::2])]
        hashes = paired + (hashes[-1:] if len(hashes) % 2 else [])
    return hashes[0]


def by_path(leaf, number, size, path):
    """The root to which a path leads, by the recursion of section 2.1.1 read backwards; none when it does not fit."""
    if size == 1:
        return leaf if not path else None
    if not path:
        return None
    k, beside = split(size), path[-1]
    inner = by_path(leaf, number, k, path[:-1]) if number < k else by_path(leaf, number - k, size - k, path[:-1])
    if inner is None:
        return None
    return node(inner, beside) if number < k else node(beside, inner)


def by_proof(old, new, proof, old_root, is_whole):
    """The roots of the old and the new tree to which a consistency proof leads, by section 2.1.2 read backwards."""
    if old == new:
        if is_whole:
            return (old_root, old_root) if not proof else None
        return (proof[0], proof[0]) if len(proof) == 1 else None
    if not proof:
        return None
    k, beside = split(new), proof[-1]
    if old <= k:
        inner = by_proof(old, k, proof[:-1], old_root, is_whole)
        return inner and (inner[0], node(inner[1], beside))
    inner = by_proof(old - k, new - k, proof[:-1], old_root, False)
    return inner and (node(beside, inner[0]), node(beside, inner[1]))


def is_consistent(old, old_root, new, new_root, proof):
    if old == 0 or old > new:
        return old == 0 and not proof
    return by_proof(old, new, proof, old_root, True) == (old_root, new_root)


# --- notes, checkpoints, files ---


def key_parts(text):
    name, number, data = text.split("+", 2)
    data = base64.b64decode(data, validate=True)
    own = hashlib.sha256(name.encode() + b"\n" + data).digest()[:4]
    if data[0] != 1 or own.hex() != number:
        raise ValueError("no verifier key")
    return name, own, data[1:]


def checkpoint_of(note, key):
    """Origin, size and root of a note that the key has signed."""
    name, own, public = key_parts(key)
    text, signatures = note.rsplit("\n\n", 1)
    text += "\n"
    signed = False
    for line in signatures.splitlines():
        dash, signer, data = line.split(" ")
        data = base64.b64decode(data, validate=True)
        if dash == "\u2014" and signer == name and data[:4] == own:
            if not is_signed(public, text.encode(), data[4:]):
                raise ValueError("the signature does not fit")
            signed = True
    origin, size, root = text.splitlines()[:3]
    if not signed or origin != name:
        raise ValueError("not signed by the key")
    return origin, int(size), base64.b64decode(root, validate=True)


def check_export(ask):
    # Only a newline ends a line here; other line ends may stand in an entry's texts.
    lines = ask["text"].split("\n")
    if lines.pop() != "":
        raise ValueError("the last line does not end")
    header = json.loads(lines[0])
    _, size, root = checkpoint_of(header["checkpoint"], ask["key"])
    hashes = []
    for number, line in enumerate(lines[1:]):
        written, leaf = line.split(" ", 1)
        value = json.loads(leaf)
        # RFC 8785 for what the journal holds: Python sorts by code points, which for the keys used is the same order.
        canonical = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        hashes.append(leaf_hash(leaf.encode()))
        if written != hashes[-1].hex() or value["number"] != number or canonical != leaf:
            raise ValueError(f"entry {number}")
    if len(hashes) != size or tree_root(hashes) != root:
        raise ValueError("size or root")
    return {"whole": True, "size": size, "root": root.hex()}


def check_proof(ask):
    head, note = ask["text"].split("\n\n", 1)
    lines = head.split("\n")
    if lines[0] != "c2sp.org/tlog-proof@v1":
        raise ValueError("another form")
    leaf = base64.b64decode(lines[1].removeprefix("extra "), validate=True)
    number = int(lines[2].removeprefix("index "))
    path = [base64.b64decode(line, validate=True) for line in lines[3:]]
    _, size, root = checkpoint_of(note, ask["key"])
    if not 0 <= number < size or by_path(leaf_hash(leaf), number, size, path) != root:
        raise ValueError("the path leads elsewhere")
    return {"proven": True, "number": number, "leaf": leaf.decode()}


def check_consistency(ask):
    (origin, old, old_root), (other, new, new_root) = (checkpoint_of(ask[which], ask["key"]) for which in ("old", "new"))
    return origin == other and is_consistent(old, old_root, new, new_root, [bytes.fromhex(h) for h in ask["hashes"]])


def check_trees(ask):
    leaves = [leaf_hash(n.to_bytes(4, "big")) for n in range(ask["leaves"])]
    roots = {}

    def root(size):
        if size not in roots:
            roots[size] = tree_root(leaves[:size])
        return roots[size]

    unhex = lambda hashes: [bytes.fromhex(h) for h in hashes]
    inclusion = sum(by_path(leaves[n], n, size, unhex(path)) == root(size) for n, size, path in ask["inclusion"])
    consistency = sum(
        is_consistent(old, root(old), new, root(new), unhex(proof)) for old, new, proof in ask["consistency"]
    )
    return {"inclusion": inclusion, "consistency": consistency}


def tried(check, failed):
    def run(ask):
        try:
            return check(ask)
        except (ValueError, KeyError, IndexError) as error:
            return failed(str(error))

    return run


def main():
    ask = json.load(sys.stdin)
    answer = {
        "exports": [tried(check_export, lambda why: {"whole": False, "why": why})(one) for one in ask.get("exports", [])],
        "proofs": [tried(check_proof, lambda why: {"proven": False, "why": why})(one) for one in ask.get("proofs", [])],
        "consistency": [tried(check_consistency, lambda why: False)(one) for one in ask.get("consistency", [])],
        "signatures": [
            is_signed(*(bytes.fromhex(one[part]) for part in ("public", "message", "signature")))
            for one in ask.get("signatures", [])
        ],
    }
    if "trees" in ask:
        answer["trees"] = check_trees(ask["trees"])
    json.dump(answer, sys.stdout)


main()

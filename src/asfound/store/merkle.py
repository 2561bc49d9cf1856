"""A Merkle tree over hashes that only grows, with proofs: RFC 6962, section 2.1.

    >>> merkle_root([]).hex()[:16]
    'e3b0c44298fc1c14'

A root stands for all leaves before it. An inclusion proof shows that one leaf is under a root;
a consistency proof shows that an older root's leaves are the first ones under a newer root.
Leaves are given as hashes (`leaf_hash` of their bytes), 32 bytes each.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256

EMPTY_ROOT = sha256(b"").digest()


def leaf_hash(data: bytes) -> bytes:
    """Hash of a leaf: SHA-256(0x00 || data)."""
    return sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Hash of a node over two hashes: SHA-256(0x01 || left || right)."""
    return sha256(b"\x01" + left + right).digest()


def grow(peaks: Sequence[bytes], size: int, leaf: bytes) -> tuple[bytes, ...]:
    """Roots of the full trees that make up a tree of `size` + 1 leaves, largest first.

    Parameters
    ----------
    peaks : sequence of bytes
        The same for `size` leaves.
    leaf : bytes
        Hash of the new leaf.
    """
    stack = [*peaks, leaf]
    while size & 1:
        right = stack.pop()
        stack.append(node_hash(stack.pop(), right))
        size >>= 1
    return tuple(stack)


def root_of_peaks(peaks: Sequence[bytes]) -> bytes:
    """The root over full trees, largest first."""
    if not peaks:
        return EMPTY_ROOT
    root = peaks[-1]
    for peak in reversed(peaks[:-1]):
        root = node_hash(peak, root)
    return root


def merkle_root(leaves: Sequence[bytes]) -> bytes:
    """Root over leaf hashes; that of no leaves is SHA-256 of nothing."""
    level = list(leaves)
    if not level:
        return EMPTY_ROOT
    while len(level) > 1:
        level = _next_level(level)
    return level[0]


def _next_level(level: list[bytes]) -> list[bytes]:
    above = [node_hash(level[k], level[k + 1]) for k in range(0, len(level) - 1, 2)]
    if len(level) % 2:
        above.append(level[-1])
    return above


def inclusion_proof(leaves: Sequence[bytes], index: int) -> tuple[bytes, ...]:
    """Hashes beside the way from a leaf up to the root (RFC 6962, 2.1.1).

    Raises
    ------
    IndexError
        If there is no such leaf.
    """
    if not 0 <= index < len(leaves):
        raise IndexError(f"leaf {index} of {len(leaves)}")
    proof = []
    level = list(leaves)
    while len(level) > 1:
        beside = index ^ 1
        if beside < len(level):
            proof.append(level[beside])
        level = _next_level(level)
        index >>= 1
    return tuple(proof)


def verify_inclusion(
    leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes
) -> bool:
    """Whether a proof shows that `leaf` is leaf `index` of the `size` leaves under `root`."""
    if not 0 <= index < size:
        return False
    last, computed, rest = size - 1, leaf, list(proof)
    while last:
        if index & 1 or index < last:
            if not rest:
                return False
            beside = rest.pop(0)
            computed = node_hash(beside, computed) if index & 1 else node_hash(computed, beside)
        index >>= 1
        last >>= 1
    return not rest and computed == root


def consistency_proof(leaves: Sequence[bytes], first: int) -> tuple[bytes, ...]:
    """Hashes that show the first `first` leaves to be the start of all (RFC 6962, 2.1.2).

    Raises
    ------
    IndexError
        If `first` is not between 1 and the number of leaves.
    """
    if not 1 <= first <= len(leaves):
        raise IndexError(f"first {first} of {len(leaves)}")
    return tuple(_subproof(list(leaves), first, whole=True))


def _subproof(leaves: list[bytes], first: int, *, whole: bool) -> list[bytes]:
    size = len(leaves)
    if first == size:
        return [] if whole else [merkle_root(leaves)]
    split = 1 << (size - 1).bit_length() - 1
    if first <= split:
        return [*_subproof(leaves[:split], first, whole=whole), merkle_root(leaves[split:])]
    return [
        *_subproof(leaves[split:], first - split, whole=False),
        merkle_root(leaves[:split]),
    ]


def verify_consistency(
    first: int, first_root: bytes, size: int, root: bytes, proof: Sequence[bytes]
) -> bool:
    """Whether a proof shows that the tree under `root` grew out of the one under `first_root`.

    Notes
    -----
    Source: RFC 9162, section 2.1.4.2 (the check that goes with RFC 6962's proofs).
    """
    if not 1 <= first <= size:
        return False
    if first == size:
        return not proof and first_root == root
    path = list(proof)
    if first & (first - 1) == 0:
        path.insert(0, first_root)
    if not path:
        return False
    index, last = first - 1, size - 1
    while index & 1:
        index >>= 1
        last >>= 1
    older = newer = path[0]
    for beside in path[1:]:
        if last == 0:
            return False
        if index & 1 or index == last:
            older, newer = node_hash(beside, older), node_hash(beside, newer)
            while index and not index & 1:
                index >>= 1
                last >>= 1
        else:
            newer = node_hash(newer, beside)
        index >>= 1
        last >>= 1
    return last == 0 and older == first_root and newer == root

"""RFC 6962 (Certificate Transparency, 2013), section 2.1: Merkle trees and their proofs.

Leaves, roots and proofs are those of the public test data that the standard's first
implementations, in C++ and Go, were checked with (rootsAtSize, testPaths, testProofs); the root of
no leaves is in section 2.1 itself. The check of consistency proofs is RFC 9162, section 2.1.4.2.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asfound.store.merkle import (
    consistency_proof,
    grow,
    inclusion_proof,
    leaf_hash,
    merkle_root,
    node_hash,
    root_of_peaks,
    verify_consistency,
    verify_inclusion,
)

DATA = (
    "",
    "00",
    "10",
    "2021",
    "3031",
    "40414243",
    "5051525354555657",
    "606162636465666768696a6b6c6d6e6f",
)
LEAVES = [leaf_hash(bytes.fromhex(data)) for data in DATA]
ROOTS = [
    bytes.fromhex(root)
    for root in (
        "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
        "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
        "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
        "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
        "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
        "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
    )
]
# By index from 0 and tree size.
INCLUSION = {
    (0, 1): (),
    (0, 8): (
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ),
    (5, 8): (
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ),
    (2, 3): ("fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",),
    (1, 5): (
        "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    ),
}
CONSISTENCY = {
    (1, 1): (),
    (1, 8): INCLUSION[(0, 8)],
    (6, 8): (
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ),
    (2, 5): (
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    ),
}


def binary(words):
    return tuple(bytes.fromhex(word) for word in words)


def flipped(value, bit):
    changed = bytearray(value)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


@pytest.mark.parametrize("size", range(9))
def test_roots_are_the_published_ones(size):
    assert merkle_root(LEAVES[:size]) == ROOTS[size]


def test_growing_leaf_by_leaf_gives_the_published_roots():
    peaks = ()
    for size, leaf in enumerate(LEAVES):
        assert root_of_peaks(peaks) == ROOTS[size]
        peaks = grow(peaks, size, leaf)
    assert root_of_peaks(peaks) == ROOTS[8]


@pytest.mark.parametrize("place", INCLUSION)
def test_inclusion_proofs_are_the_published_ones(place):
    index, size = place
    proof = inclusion_proof(LEAVES[:size], index)
    assert proof == binary(INCLUSION[place])
    assert verify_inclusion(LEAVES[index], index, size, proof, ROOTS[size])


@pytest.mark.parametrize("place", CONSISTENCY)
def test_consistency_proofs_are_the_published_ones(place):
    first, size = place
    proof = consistency_proof(LEAVES[:size], first)
    assert proof == binary(CONSISTENCY[place])
    assert verify_consistency(first, ROOTS[first], size, ROOTS[size], proof)


def by_definition(leaves):
    """Section 2.1 word for word: split at the largest power of two below the size."""
    if len(leaves) == 1:
        return leaves[0]
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    return node_hash(by_definition(leaves[:split]), by_definition(leaves[split:]))


def leaves_of(size):
    return [leaf_hash(str(index).encode()) for index in range(size)]


@given(st.integers(1, 200), st.data())
def test_every_proof_holds_and_no_other(size, data):
    leaves = leaves_of(size)
    root = by_definition(leaves)
    assert merkle_root(leaves) == root
    index = data.draw(st.integers(0, size - 1))
    first = data.draw(st.integers(1, size))
    inclusion = inclusion_proof(leaves, index)
    assert verify_inclusion(leaves[index], index, size, inclusion, root)
    old_root = merkle_root(leaves[:first])
    consistency = consistency_proof(leaves, first)
    assert verify_consistency(first, old_root, size, root, consistency)

    bit = data.draw(st.integers(0, 255))
    assert not verify_inclusion(flipped(leaves[index], bit), index, size, inclusion, root)
    assert not verify_inclusion(leaves[index], index, size, inclusion, flipped(root, bit))
    assert not verify_consistency(first, flipped(old_root, bit), size, root, consistency)
    assert not verify_consistency(first, old_root, size, flipped(root, bit), consistency)
    extra = leaf_hash(b"more")
    assert not verify_inclusion(leaves[index], index, size, (*inclusion, extra), root)
    assert not verify_consistency(first, old_root, size, root, (*consistency, extra))
    if inclusion:
        assert not verify_inclusion(leaves[index], index, size, inclusion[:-1], root)
        other = data.draw(st.integers(0, len(inclusion) - 1))
        changed = [*inclusion]
        changed[other] = flipped(changed[other], bit)
        assert not verify_inclusion(leaves[index], index, size, changed, root)
    if consistency:
        assert not verify_consistency(first, old_root, size, root, consistency[:-1])
        other = data.draw(st.integers(0, len(consistency) - 1))
        changed = [*consistency]
        changed[other] = flipped(changed[other], bit)
        assert not verify_consistency(first, old_root, size, root, changed)


def test_a_rewritten_history_has_no_consistency_proof():
    old = leaves_of(5)
    new = [*old[:3], leaf_hash(b"rewritten"), *leaves_of(9)[4:]]
    proof = consistency_proof(new, 5)
    assert not verify_consistency(5, merkle_root(old), 9, merkle_root(new), proof)


def test_places_outside_the_tree_are_refused():
    with pytest.raises(IndexError):
        inclusion_proof(LEAVES, 8)
    with pytest.raises(IndexError):
        consistency_proof(LEAVES, 0)
    assert not verify_inclusion(LEAVES[0], 8, 8, (), ROOTS[8])
    assert not verify_consistency(9, ROOTS[8], 8, ROOTS[8], ())
    assert not verify_consistency(0, ROOTS[0], 8, ROOTS[8], ())

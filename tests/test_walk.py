"""The README's walk shows what its commands print; see :mod:`walk`, which writes it anew."""

from __future__ import annotations

import walk


def test_the_walk_is_true() -> None:
    """Every command of every block, in order, in one shop."""
    shown = walk.blocks(walk.README.read_text(encoding="utf-8"))
    assert sum(len(walk.commands(b)) for b in shown) >= 8
    with walk.place():
        for block in shown:
            assert walk.walked(block) == block

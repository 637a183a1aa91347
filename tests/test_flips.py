"""A few hundred of :mod:`flips`: no flipped bit goes unsaid, and rescue brings out the rest."""

from __future__ import annotations

from pathlib import Path

import flips


def test_no_flipped_bit_goes_unsaid(tmp_path: Path) -> None:
    """Refused, or named, or harmless; whatever is brought out is what was written."""
    count = flips.run(tmp_path, 240, 5)
    assert count.flips == 300
    assert count.silent == []
    assert count.became["named"] > 20 and count.became["refused"] > 0
    assert count.became["file refused"] > 40
    assert count.rescued > 10 * count.left > 0

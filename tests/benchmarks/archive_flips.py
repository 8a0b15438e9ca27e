"""Flip single bits of a sealed archive at random places and count how many verifying detects.

    python tests/benchmarks/archive_flips.py BAG [--times 1000]

Half of the places are drawn over all octets of the bag, half over those of the tag files, which are small. The bag is
copied first. The recomputation is left out: the seal alone must show every flip.
"""

import argparse
import shutil
import tempfile
from pathlib import Path

import numpy as np

from benchlab.errors import BenchlabError
from benchlab.evidence.verify import verify_bag


def not_run(folder: Path, out: Path) -> object:
    """Stand in for the run: to get here means that the seal showed nothing."""
    raise BenchlabError("not detected")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("bag", type=Path)
    parser.add_argument("--times", type=int, default=1000)
    options = parser.parse_args()
    rng, missed = np.random.default_rng(1000), []
    with tempfile.TemporaryDirectory() as temporary:
        bag = Path(shutil.copytree(options.bag, Path(temporary) / "bag"))
        assert verify_bag(bag, run=not_run).whole
        files = sorted(p for p in bag.rglob("*") if p.is_file() and p.stat().st_size)
        tags = [p for p in files if p.parent == bag]
        for number in range(options.times):
            path, place = drawn(files if number % 2 else tags, rng)
            bit = int(rng.integers(8))
            sound = path.read_bytes()
            path.write_bytes(sound[:place] + bytes([sound[place] ^ (1 << bit)]) + sound[place + 1 :])
            if verify_bag(bag, run=not_run).whole:
                missed.append((path.relative_to(bag).as_posix(), place, bit))
            path.write_bytes(sound)
    print(f"{options.times} flips in {len(files)} files ({len(tags)} tag files): {len(missed)} missed {missed}")
    assert not missed


def drawn(files: list[Path], rng: np.random.Generator) -> tuple[Path, int]:
    """Draw one octet of all octets of the files."""
    sizes = np.array([p.stat().st_size for p in files])
    index = int(rng.integers(sizes.sum()))
    which = int(np.searchsorted(np.cumsum(sizes), index, side="right"))
    return files[which], index - int(sizes[:which].sum())


if __name__ == "__main__":
    main()

"""Small BagIt bags for tests, built by hand and not by the program under test."""

import hashlib
from pathlib import Path

DECLARATION = "BagIt-Version: {}\nTag-File-Character-Encoding: UTF-8\n"


def write(path: Path, content: str | bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def digest(content: str | bytes, algorithm: str = "md5") -> str:
    return hashlib.new(algorithm, content.encode() if isinstance(content, str) else content).hexdigest()


def simple_bag(bag: Path, version: str = "0.97", algorithm: str = "md5", files: dict[str, str] | None = None) -> Path:
    """A valid bag with the given payload (default: one file), manifest, bag-info and tag manifest."""
    files = {"hello.txt": "hello\n"} if files is None else files
    write(bag / "bagit.txt", DECLARATION.format(version))
    (bag / "data").mkdir()
    for name, content in files.items():
        write(bag / "data" / name, content)
    write(bag / f"manifest-{algorithm}.txt", "".join(f"{digest(c, algorithm)}  data/{n}\n" for n, c in files.items()))
    write(bag / "bag-info.txt", "Contact-Name: nobody\n")
    tag(bag, algorithm)
    return bag


def tag(bag: Path, algorithm: str = "md5") -> None:
    """Write the tag manifest anew after tag files were changed."""
    names = sorted(p.name for p in bag.glob("*.txt") if not p.name.startswith("tagmanifest"))
    lines = [f"{digest((bag / n).read_bytes(), algorithm)}  {n}\n" for n in names]
    write(bag / f"tagmanifest-{algorithm}.txt", "".join(lines))

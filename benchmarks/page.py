"""What the benchmarks that make one page from seeds share: the words of the command, and the page."""

import argparse
from pathlib import Path


def ask_seeds(words: str, n: int) -> argparse.ArgumentParser:
    """Return a parser for the first seed, how many, how many workers, and the file for the page."""
    parser = argparse.ArgumentParser(
        description=words, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--first-seed", type=int, default=900_000)
    parser.add_argument("--n", type=int, default=n)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path)
    return parser


def give_page(page: str, out: Path | None) -> None:
    """Write the page where it was asked for, and show it."""
    if out:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(page, encoding="utf-8")
    print(page)

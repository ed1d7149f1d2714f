"""The command that calibrates a lens: chessboard photos in, a small lens file out."""

from pathlib import Path

import click


@click.command("lens")
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path), metavar="PHOTO...")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("lens.toml"), show_default=True
)
@click.option(
    "--board",
    type=click.Path(path_type=Path),
    help="Make the chessboard to print instead: a PDF to write.",
)
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
def lens(photos: tuple[Path, ...], out: Path, board: Path | None, paper: str) -> int:
    """Calibrate a camera's lens from photos of the printed chessboard.

    First `rakelight lens --board chessboard.pdf`: print it, glue it to something flat. Then six photos
    or more with the camera and zoom used for slabs: the board fills the photo, each time tilted another
    way. The file is for `rakelight inspect --lens FILE`.
    """
    return calibrate(photos, out) if board is None else make_board(board, paper)


def make_board(path: Path, paper: str) -> int:
    """Return the exit code of writing the chessboard's PDF."""
    from .scale.card import make_chessboard

    click.echo(
        f"Written: {make_chessboard(path, paper=paper)}. Print it on matt paper and glue it flat."
    )
    return 0


def calibrate(photos: tuple[Path, ...], out: Path) -> int:
    """Return the exit code of calibrating a lens and keeping it in a file."""
    from .core.errors import ScaleError
    from .photo.read import read_photo
    from .scale.lens import calibrate_lens, write_lens

    if not photos:
        raise ScaleError(
            "Give six photos or more of the chessboard; --board FILE makes one to print."
        )
    read = []
    for k, path in enumerate(photos, start=1):
        click.echo(f"  reading photo {k} of {len(photos)} ...", err=True)
        read.append(read_photo(path))
    click.echo("  looking for the board ...", err=True)
    found, rms_px = calibrate_lens(read)
    written = write_lens(out, found, read[0].shape_px)
    click.echo(
        f"The corners of the board fit to {rms_px:.2f} pixels (k1 {found.k1:+.4f}, k2 {found.k2:+.4f})."
    )
    click.echo(
        f"Written: {written}. Use it for this camera at this zoom: rakelight inspect PHOTO --lens {written}"
    )
    return 0

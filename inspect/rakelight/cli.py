"""The command line: what a person types, turned into what the steps take.

Exit codes: 0 done; 2 the person must change something (one sentence says what); 3 the photo was
measured but must not be trusted (to be taken again, or lit from another side than was said: the
advice says which); 130 interrupted, nothing half-written.
Heavy imports stand inside the commands, so that `rakelight --help` answers at once.
"""

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import __version__
from .cli_app import app
from .cli_batch import batch
from .cli_compare import compare
from .cli_given import check_first, check_survey, read_options
from .cli_jobs import jobs
from .cli_lens import lens
from .cli_log import log_options, open_for_job, tell_kept
from .cli_numbers import NUMBER, LampSide, Numbers
from .cli_tiles import prepare_tiles, write_tiles
from .core.errors import RakelightError, SettingsError

if TYPE_CHECKING:
    from .core.records import Inspection

EXIT_CHANGE_SOMETHING = 2
EXIT_DO_NOT_TRUST = 3
EXIT_INTERRUPTED = 130
NO_MEMORY = "There is not enough memory for this photo; close other programs or give a smaller one."


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="rakelight")
def cli() -> None:
    """Reads raking-light photos of a demolded concrete top: pits in mm, a plan and a work sheet."""


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; every foreseen trouble is one sentence and an exit code."""
    try:
        code = cli.main(arguments, standalone_mode=False)
    except click.exceptions.Abort:
        _leave("Stopped; nothing was left half-written.", EXIT_INTERRUPTED)
    except KeyboardInterrupt:
        _leave("Stopped; nothing was left half-written.", EXIT_INTERRUPTED)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.ctx.get_help())
        sys.exit(0)
    except click.ClickException as error:
        _leave(error.format_message(), EXIT_CHANGE_SOMETHING)
    except RakelightError as error:
        _leave(str(error), EXIT_CHANGE_SOMETHING)
    except MemoryError:
        _leave(NO_MEMORY, EXIT_CHANGE_SOMETHING)
    except OSError as error:
        told = error.strerror or error
        _leave(
            f"The computer refused: {told} ({error.filename or 'no file named'}).",
            EXIT_CHANGE_SOMETHING,
        )
    sys.exit(code if isinstance(code, int) else 0)


def _leave(sentence: str, code: int) -> None:
    click.echo(f"rakelight: {sentence}", err=True)
    sys.exit(code)


@cli.command("inspect")
@click.argument(
    "photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PHOTO..."
)
@click.option("--mm-per-px", type=NUMBER, help="Size of a photo pixel on the face, mm.")
@click.option(
    "--corners",
    help="Photo pixels of the slab's corners: 'x,y x,y x,y x,y', top-left first, clockwise.",
)
@click.option(
    "--slab",
    help="Size of the slab, such as 2400x700 (mm) or '8ft x 28in'; alone, its corners are looked for.",
)
@click.option(
    "--marks",
    type=click.Path(path_type=Path),
    help="File that says where fiducials lie on the slab.",
)
@click.option(
    "--lens",
    type=click.Path(path_type=Path),
    help="Lens file of this camera, made by `rakelight lens`.",
)
@click.option(
    "--zones",
    type=click.Path(path_type=Path),
    help="Openings, pour zones and outline: TOML or GeoJSON.",
)
@click.option(
    "--printed-rule",
    type=NUMBER,
    default=100.0,
    help="What the scale card's 100 mm rule really measures.",
)
@click.option(
    "--lamp-from",
    type=LampSide(),
    help="Side the light comes from: 0 top, 90 right, 180 bottom, 270 left, or one of these words.",
)
@click.option("--lamp-angle", type=NUMBER, help="Angle of the light above the face, degrees.")
@click.option(
    "--lamp-at", type=Numbers(3), help="Place of the lamp on the plan and its height: X,Y,H in mm."
)
@click.option(
    "--other-lamp",
    "other_lamps",
    multiple=True,
    metavar="PHOTO,FROM[,ANGLE]",
    help="The same face from the same place, the lamp moved: photo, lamp side, lamp angle. Again for more.",
)
@click.option(
    "--pin-depth",
    "pins",
    multiple=True,
    metavar="PIT=DEPTH",
    help="Depth of a pit measured with a pin, mm: 12=3.5 by its number, 410,212=3.5 by x_mm,y_mm as in pits.csv "
    "(y from the top, not from the front). Again for more.",
)
@click.option(
    "--pin-depths",
    "pin_file",
    type=click.Path(path_type=Path),
    help="CSV of such depths: pit_id, depth_mm.",
)
@click.option(
    "--soft-light",
    type=click.Path(path_type=Path),
    help="Soft-light photo of the same face, for the tone.",
)
@click.option(
    "--soft-corners",
    help="The slab's corners in the soft-light photo, when it is framed otherwise.",
)
@click.option(
    "--flat-field",
    type=click.Path(path_type=Path),
    help="A white sheet in the same light, same place.",
)
@click.option(
    "--turned",
    type=click.Path(path_type=Path),
    help="The slab turned by 180 degrees, same light and place.",
)
@click.option(
    "--patches",
    type=click.Path(path_type=Path),
    help="pits.csv from before the filling: do the fills show?",
)
@click.option(
    "--grey-card", type=Numbers(4, 5), help="Grey card on the slab: X,Y,W,H[,REFLECTANCE] in mm."
)
@click.option("--smallest", type=NUMBER, help="Smallest pit to count, mm (default 1).")
@click.option(
    "--scheme", "schemes", multiple=True, help="Grade by this scheme only; may be given again."
)
@click.option(
    "--agreed", type=click.Path(path_type=Path), help="File with what was agreed with the client."
)
@click.option(
    "--rates", type=click.Path(path_type=Path), help="File with the shop's own times and prices."
)
@click.option("--units", type=click.Choice(["mm", "in"]), default="mm", show_default=True)
@click.option(
    "--job", default="", help="Name of the job; the inspection and its photos are kept in its log."
)
@click.option("--slab-name", default="", help="Name of the slab.")
@click.option(
    "--face",
    default="",
    help="Face the photo shows when it is not the top, such as edge: counted, judged, planned and logged apart.",
)
@click.option("--stage", default="", help="Stage of the work, such as 'after demold'.")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("inspection"), show_default=True
)
@click.option(
    "--map-tiles",
    type=click.Path(path_type=Path),
    help="Folder beside --out for the whole map as deep-zoom tiles (map.dzi), the photo read in full resolution.",
)
@click.option("--threads", type=click.IntRange(1, 64), default=2, show_default=True)
@click.option(
    "--no-log",
    is_flag=True,
    help="Only print the job's name on the pages; keep nothing in the log.",
)
@log_options
def inspect_command(photos: tuple[Path, ...], out: Path, **options: Any) -> int:
    """Inspect one face: photo in, map, tables and work sheet out.

    Several photos are overlapping parts of one face: each shares a quarter or more with its
    neighbours; marks lie near both ends (--marks), or the scale card lies in one of them.
    """
    from .report.folder import write_inspection
    from .survey import inspect_survey

    if len(photos) > 1 and options["other_lamps"]:
        raise SettingsError(
            "--other-lamp belongs to one photo of the whole face; give one photo and its other lamps."
        )
    given, settings = read_options(options)
    settings = prepare_tiles(options["map_tiles"], out, settings)
    check_first(given, out)
    check_survey(out, photos)
    log = open_for_job(options)
    inspection = inspect_survey(photos, given, settings=settings, progress=say_progress)
    say_progress("writing the map and the pages")
    files = write_inspection(inspection, out, settings=settings.report)
    click.echo(summarise(inspection))
    if given.agreed is not None and not inspection.grade.agreed:
        click.echo("The agreement leaves this face out: nothing on it is judged by what was agreed.")
    click.echo("Written:\n" + "\n".join(f"  {file}" for file in files))
    tell_kept(log, inspection, photos, options)
    if options["map_tiles"] is not None:
        say_progress("cutting the map into tiles")
        click.echo(f"Tiles: {write_tiles(inspection, options['map_tiles'])}")
    return tell_trust(inspection)


def tell_trust(inspection: "Inspection") -> int:
    """Return the exit code, and say last of all what must be settled before anything is filled."""
    from .report.facts import name_doubt
    from .report.words import load_words

    doubt = name_doubt(inspection)
    if doubt not in ("retake", "lamp_side"):
        return 0
    click.echo(f"rakelight: {load_words('en').say(f'sheet.{doubt}')}", err=True)
    return EXIT_DO_NOT_TRUST


def say_progress(step: str) -> None:
    """Tell the person at the terminal what is being done."""
    click.echo(f"  {step} ...", err=True)


def summarise(inspection: "Inspection") -> str:
    """Return the answer in a few lines for the terminal."""
    from .core.tables import countable
    from .report.crowds import say_crowds
    from .report.words import load_words

    n_pits, face = int(countable(inspection.pits).sum()), inspection.face
    smallest = inspection.settings["find"]["smallest_mm"]
    lines = [
        f"{n_pits} pits of {smallest:g} mm and more, open at the surface, on {face.seen_mm2 / 1e6:.3f} m2 seen.",
        f"Photo: {inspection.quality.verdict}."
        + (f" Smallest size that can be counted: {inspection.quality.smallest_countable_mm:.1f} mm."
           if math.isfinite(inspection.quality.smallest_countable_mm) else ""),
        *(sentence for sentence in [say_crowds(inspection, load_words("en"))] if sentence),
        *(f"  - {sentence}" for sentence in inspection.quality.advice),
        *(f"  ! {sentence}" for sentence in inspection.warnings if sentence not in inspection.quality.advice),
    ]  # fmt: skip
    return "\n".join(lines)


@cli.command("card")
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
@click.option(
    "--marks",
    "n_marks",
    type=click.IntRange(0, 46),
    default=0,
    help="Add so many larger single marks.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("scale_card.pdf"), show_default=True
)
def card_command(paper: str, n_marks: int, out: Path) -> int:
    """Make the scale card to print: fiducials, millimetre rule, grey patch, fold-up shadow post."""
    from .scale.card import make_card

    click.echo(
        f"Written: {make_card(out, paper=paper, n_marks=n_marks)}. Print at 100 %, then measure the rule."
    )
    return 0


@cli.command("demo")
@click.option(
    "--samples", type=click.Path(path_type=Path), default=Path("sample_images"), show_default=True
)
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("demo_output"), show_default=True
)
def demo_command(samples: Path, out: Path) -> int:
    """Run the whole job on the sample photos and name the files it wrote."""
    from .demo import run_demo

    for line in run_demo(samples, out, progress=say_progress):
        click.echo(line)
    return 0


cli.add_command(app)
cli.add_command(compare)
cli.add_command(jobs)
cli.add_command(lens)
cli.add_command(batch)


if __name__ == "__main__":
    main()

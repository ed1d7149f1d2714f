"""Makes the pictures of the README from the demo's own output.

    python tools/make_pictures.py [DEMO_OUTPUT]

Runs the demo first when DEMO_OUTPUT is not there. Needs `pdftoppm` for the pages.
"""

import subprocess
import sys
from pathlib import Path

from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "docs" / "pictures"
WIDTH_PX = 1400
GAP_PX = 24


def main() -> None:
    """Write map.png, heat.png and work_sheet.png."""
    demo = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "demo_output"
    if not demo.is_dir():
        subprocess.run([sys.executable, "-m", "rakelight", "demo", "--out", str(demo)], cwd=ROOT, check=True)
    PICTURES.mkdir(parents=True, exist_ok=True)
    for name in ("map", "heat"):
        shrink(Image.open(demo / "before" / f"{name}.png")).save(PICTURES / f"{name}.png", optimize=True)
    pages = [page_of(demo / "before" / "work_sheet.pdf", number) for number in (1, 3)]
    side_by_side(pages).save(PICTURES / "work_sheet.png", optimize=True)


def shrink(picture: Image.Image, width_px: int = WIDTH_PX) -> Image.Image:
    """Return a picture of the width, in 128 colours: small enough to live in a repository."""
    height_px = round(picture.height * width_px / picture.width)
    return picture.convert("RGB").resize((width_px, height_px), Image.Resampling.LANCZOS).quantize(128)


def page_of(pdf: Path, number: int) -> Image.Image:
    """Return one page as a picture."""
    subprocess.run(
        ["pdftoppm", "-r", "80", "-f", str(number), "-l", str(number), "-singlefile", "-png", str(pdf), str(PICTURES / "page")],
        check=True, capture_output=True,
    )  # fmt: skip
    path = PICTURES / "page.png"
    page = Image.open(path).convert("RGB")
    page.load()
    path.unlink()
    return page


def side_by_side(pages: list[Image.Image]) -> Image.Image:
    """Return pages on one grey desk."""
    width = sum(page.width for page in pages) + GAP_PX * (len(pages) + 1)
    desk = Image.new("RGB", (width, max(page.height for page in pages) + 2 * GAP_PX), (214, 212, 208))
    left = GAP_PX
    for page in pages:
        desk.paste(page, (left, GAP_PX))
        left += page.width + GAP_PX
    return desk.quantize(64)


if __name__ == "__main__":
    main()

"""Makes the pictures of the page `colour.md` from the colour demo.

python docs/make_colour_pictures.py [FOLDER]

With FOLDER, what the demo left there is used. The last picture is a page: it is taken with chromium, if there is one.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pyvips
from PIL import Image

from platemark.face.demo.colour import run_colour_demo

HERE = Path(__file__).parent / "colour"
GREY = (120, 120, 120)


def main() -> None:
    """Run the demo in a temporary folder, unless one is named, and reduce what it made."""
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[1]) if sys.argv[1:] else Path(temporary) / "demo"
        if not sys.argv[1:]:
            run_colour_demo(folder)
        ready = folder / "ready"
        save(folder / "chart.tif", "1-chart.jpg", 700)
        save(folder / "rag.gamut.png", "2-paper.jpg", 700)
        save(ready / "pathtest.rag.jpg", "3-path.jpg", 620)
        row([ready / "quince.a4-rag.jpg", ready / "quince.card.jpg"], "4-white.jpg", 480)
        save(ready / "heron.a4-rag.losses.jpg", "5-losses.jpg", 1200)
        strip = ready / "quince.strip-rag-1of4.jpg"
        with Image.open(strip) as sheet:
            part = sheet.crop((0, 0, sheet.width, round(sheet.width * 0.37))).convert("RGB")
        part.thumbnail((1200, 1200), Image.Resampling.LANCZOS)
        part.save(HERE / "6-strip.jpg", quality=85)
        photograph(folder / "printed" / "print.compared.html", "7-compared.jpg", Path(temporary))


def save(path: Path, name: str, width: int) -> None:
    """One picture, reduced."""
    pyvips.Image.thumbnail(str(path), width, export_profile="srgb").jpegsave(str(HERE / name), Q=85, keep="none")


def row(paths: list[Path], name: str, height: int) -> None:
    """Pictures side by side on grey, so that white can be told from tint."""
    pictures = []
    for path in paths:
        with Image.open(path) as picture:
            pictures.append(picture.convert("RGB").resize((round(picture.width * height / picture.height), height)))
    gap = 16
    canvas = Image.new("RGB", (sum(p.width + gap for p in pictures) + gap, height + 2 * gap), GREY)
    x = gap
    for picture in pictures:
        canvas.paste(picture, (x, gap))
        x += picture.width + gap
    canvas.save(HERE / name, quality=86)


def photograph(page: Path, name: str, folder: Path) -> None:
    """The head of a page, as a browser shows it."""
    browser = shutil.which("chromium")
    if browser is None:
        return
    shot = folder / "page.png"
    flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--window-size=1100,1500"]
    subprocess.run([browser, *flags, f"--screenshot={shot}", page.as_uri()], check=True, capture_output=True)
    with Image.open(shot) as picture:
        picture.convert("RGB").save(HERE / name, quality=82)


if __name__ == "__main__":
    main()

"""Makes the pictures of the README from the demo: the scan as it comes, and the print as it goes.

python docs/make_pictures.py
"""

import sys
import tempfile
from pathlib import Path

from PIL import Image

from platemark.face.demo.show import run_demo

HERE = Path(__file__).parent
HEIGHT = 520
GREY = (120, 120, 120)


def main() -> None:
    """Run the demo in a temporary folder and reduce what it made."""
    with tempfile.TemporaryDirectory() as folder:
        shown = run_demo(Path(folder) / "demo")
        if not shown.good:
            sys.exit("the demo did not come out as it should")
        (scan,) = (path for path in shown.originals.glob("heron-*") if path.suffix != ".toml")
        strip([scan, shown.ready / "heron.a4-matte.jpg"]).save(HERE / "heron.jpg", quality=88)
        strip([shown.ready / f"{name}.card.jpg" for name in ("heron", "quince", "moonrise")]).save(
            HERE / "cards.jpg", quality=88
        )


def strip(paths: list[Path]) -> Image.Image:
    """Pictures in a row on grey."""
    pictures = []
    for path in paths:
        with Image.open(path) as picture:
            pictures.append(picture.convert("RGB").resize((round(picture.width * HEIGHT / picture.height), HEIGHT)))
    gap = 16
    row = Image.new("RGB", (sum(p.width for p in pictures) + gap * (len(pictures) + 1), HEIGHT + 2 * gap), GREY)
    x = gap
    for picture in pictures:
        row.paste(picture, (x, gap))
        x += picture.width + gap
    return row


if __name__ == "__main__":
    main()

"""How well a scanner is known from its chart: left-out CIEDE2000 on simulated scanners, against the aim.

`python bench/characterise.py`. The scanners are those of the tests: a matrix with crosstalk, a tone curve, stray light,
noise; the second table sees reflectances with sensors that no matrix can undo (what is measured comes with
colour-science: the 24 reflectances of ISO 17321-1).
"""

import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pyvips

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "platemark" / "characterise"))

from simulated import Chart, Scanner, many_colours, pigments, reference_text, scanned, seen_by_eye, seen_by_sensors

from platemark.characterise.characterising import characterise
from platemark.characterise.fitting import fit_scanner
from platemark.characterise.reference import Reference, load_reference, read_reference

CURVES = {
    "power 1.8": lambda light: light ** (1 / 1.8),
    "power 2.2": lambda light: light ** (1 / 2.2),
    "sRGB": lambda light: np.where(light <= 0.0031308, 12.92 * light, 1.055 * light.clip(1e-9) ** (1 / 2.4) - 0.055),
    "linear": lambda light: light,
}


def charts() -> list[tuple[str, np.ndarray, Reference, float]]:
    """Name, what the sensors see, the reference, the aim."""
    made = []
    published = load_reference("patches-24")
    made.append(("24 patches", published.lab.reshape(4, 6, 3), published, 1.5))
    for rows, columns in ((10, 14), (12, 22)):
        seen = many_colours(rows, columns)
        made.append((f"{rows * columns} patches", seen, read_reference(reference_text(seen), "chart"), 1.0))
        hue, chroma = np.arctan2(seen[..., 2], seen[..., 1]), np.hypot(seen[..., 1], seen[..., 2])
        meant = seen + np.stack([3 * np.sin(hue), 2.5 * np.cos(2 * hue), 0 * hue], axis=2) * (chroma / 60)[..., None]
        reference = read_reference(reference_text(meant), "chart")
        made.append((f"{rows * columns} patches, hues bent", seen, reference, 1.0))
    return made


def on_scans() -> None:
    print(
        "| chart | curve | flare | used | fitted mean | left-out mean | p95 | largest | matrix alone | aim | seconds |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for name, lab, reference, aim in charts():
        for curve, flare in (("power 2.2", 0.006), ("power 1.8", 0.02), ("sRGB", 0.0), ("linear", 0.006)):
            pixels = scanned(Chart(lab, patch=36, skew=3, turns=1), Scanner(curve=CURVES[curve], flare=flare))
            image = pyvips.Image.new_from_memory(pixels.tobytes(), pixels.shape[1], pixels.shape[0], 3, "ushort")
            start = time.perf_counter()
            found = characterise(image, reference)
            took, out = time.perf_counter() - start, found.left_out
            print(
                f"| {name} | {curve} | {flare} | {len(found.patches)} | {found.fitted.mean:.2f} | {out.mean:.2f} | "
                f"{out.p95:.2f} | {out.largest:.2f} | {found.fit.plain_left_out.mean():.2f} | {aim} | {took:.1f} |"
            )


def on_spectra() -> None:
    warnings.simplefilter("ignore")
    import colour

    print("\n| reflectances | fitted mean | left-out mean | largest | aim |")
    print("| --- | --- | --- | --- | --- |")
    shape = colour.SpectralShape(400, 700, 10)
    chart = colour.SDS_COLOURCHECKERS["ISO 17321-1"]
    fitted("24, measured", np.array([it.copy().align(shape).values for it in chart.values()]), 1.5)
    for count, aim in ((24, 1.5), (140, 1.0), (264, 1.0)):
        fitted(f"{count}, made-up paints", pigments(count), aim)


def fitted(name: str, surfaces: np.ndarray, aim: float) -> None:
    codes = (0.92 * (seen_by_sensors(surfaces) + 0.006) / 1.006) ** (1 / 2.2)
    fit = fit_scanner(codes, seen_by_eye(surfaces))
    print(f"| {name} | {fit.fitted.mean():.2f} | {fit.left_out.mean():.2f} | {fit.left_out.max():.2f} | {aim} |")


if __name__ == "__main__":
    on_scans()
    on_spectra()

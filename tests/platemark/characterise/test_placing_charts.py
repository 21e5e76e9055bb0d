"""A chart is found however it lies; what is no chart, or another, is refused in a sentence."""

import numpy as np
import pytest
from simulated import Chart, Scanner, many_colours, reference_text, scanned

from platemark.characterise.placing import Placed, chart_within, find_chart
from platemark.characterise.reference import ChartError, Reference, load_reference, read_reference

PATCHES_24 = load_reference("patches-24")
LAB_24 = PATCHES_24.lab.reshape(4, 6, 3)


def wrongly_placed(chart: Chart, reference: Reference, placed: Placed) -> int:
    """Patches whose middle does not lie on the patch of that colour."""
    x, y = placed.cells.mean(axis=1).astype(int).T
    truly = chart.cell_of_pixel()[y, x]
    return int((np.abs(chart.lab.reshape(-1, 3)[truly] - reference.lab[placed.indices]).max(axis=1) > 0.01).sum())


@pytest.mark.parametrize("skew", [-10, 0, 6.5])
@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_the_24_patches_are_found_in_four_directions_and_ten_degrees_askew(turns: int, skew: float) -> None:
    chart = Chart(LAB_24, patch=30, turns=turns, skew=skew)
    placed = find_chart(scanned(chart), PATCHES_24)
    assert (len(placed.indices), wrongly_placed(chart, PATCHES_24, placed), placed.turned) == (24, 0, 90 * turns)
    assert placed.skew == pytest.approx(skew, abs=0.3)


@pytest.mark.parametrize(
    "how",
    [
        {"gap": 0.1, "frame": (95.0, 0.0, 0.0), "bed": (95.0, 0.0, 0.0)},
        {"gap": 0.3, "frame": (10.0, 0.0, 0.0), "bed": (10.0, 0.0, 0.0)},
    ],
    ids=["on white", "on black"],
)
def test_it_is_found_on_white_and_on_black(how: dict[str, object]) -> None:
    chart = Chart(LAB_24, patch=36, skew=2, **how)
    assert wrongly_placed(chart, PATCHES_24, find_chart(scanned(chart), PATCHES_24)) == 0


def test_a_chart_of_140_patches_is_found_whichever_way_it_is_numbered() -> None:
    lab = many_colours(10, 14)
    chart = Chart(lab, patch=26, turns=1, skew=-4)
    scan = scanned(chart)
    for numbered in (False, True):
        reference = read_reference(reference_text(lab, numbered=numbered), "chart.txt")
        placed = find_chart(scan, reference, (10, 14) if numbered else None)
        assert (len(placed.indices), wrongly_placed(chart, reference, placed)) == (140, 0)


def test_patches_without_gaps_are_found() -> None:
    lab = many_colours(9, 12, 3)
    chart = Chart(lab, patch=30, skew=3, gap=0, frame=(50.0, 0.0, 0.0))
    reference = read_reference(reference_text(lab), "chart.txt")
    assert wrongly_placed(chart, reference, find_chart(scanned(chart), reference)) == 0


@pytest.mark.parametrize("scanner", [Scanner(curve=lambda light: light), Scanner(noise=0.012)], ids=["linear", "noisy"])
def test_a_linear_and_a_noisy_scan_will_do(scanner: Scanner) -> None:
    chart = Chart(LAB_24, patch=36, turns=2, skew=4)
    assert wrongly_placed(chart, PATCHES_24, find_chart(scanned(chart, scanner), PATCHES_24)) == 0


@pytest.mark.parametrize("first", [0, 1, 2, 3])
@pytest.mark.parametrize("way", [1, -1])
def test_four_corners_serve_at_any_angle_and_in_any_order_around(first: int, way: int) -> None:
    chart = Chart(LAB_24, patch=40, skew=33)
    corners = np.roll(chart.corners(), first, axis=0)[::way]
    placed = chart_within(corners, scanned(chart), PATCHES_24)
    assert wrongly_placed(chart, PATCHES_24, placed) == 0


@pytest.mark.parametrize("skew", [14, 25, -40])
def test_a_chart_too_far_askew_is_refused_with_its_angle(skew: float) -> None:
    with pytest.raises(ChartError, match=f"{abs(skew)} degrees askew"):
        find_chart(scanned(Chart(LAB_24, patch=36, skew=skew)), PATCHES_24)


def other_charts() -> dict[str, tuple[Chart, str]]:
    return {
        "larger": (Chart(many_colours(10, 14), patch=26), "10 x 14 patches, and patches-24 has 4 x 6"),
        "same size": (Chart(many_colours(4, 6, 2), patch=36), "not those of patches-24"),
        "shuffled": (Chart(LAB_24[::-1, ::-1][:, [2, 0, 1, 5, 4, 3]], patch=36), "not those of patches-24"),
    }


@pytest.mark.parametrize("which", other_charts())
def test_another_chart_is_refused(which: str) -> None:
    chart, says = other_charts()[which]
    with pytest.raises(ChartError, match=says):
        find_chart(scanned(chart), PATCHES_24)


def no_charts() -> dict[str, np.ndarray]:
    random = np.random.Generator(np.random.PCG64(4))
    y, x = np.mgrid[0:400, 0:500]
    wash = np.stack([30000 + 12000 * np.sin(x / 70 + k) * np.cos(y / 90) for k in range(3)], axis=2)
    return {
        "white": np.full((400, 500, 3), 60000, np.uint16),
        "noise": random.integers(0, 65536, (400, 500, 3)).astype(np.uint16),
        "a painting": (wash + random.normal(0, 500, wash.shape)).astype(np.uint16),
        "lattice without colour": scanned(
            Chart(np.full((4, 6, 3), (90.0, 0.0, 0.0)), patch=36, frame=(20.0, 0.0, 0.0))
        ),
    }


@pytest.mark.parametrize("what", no_charts())
def test_what_is_no_chart_is_refused(what: str) -> None:
    with pytest.raises(ChartError, match=r"no grid of patches|not those of") as caught:
        find_chart(no_charts()[what], PATCHES_24)
    assert caught.value.remedy


def test_corners_that_enclose_nothing_are_refused() -> None:
    scan = scanned(Chart(LAB_24, patch=40))
    crossed = np.array([[50, 50], [300, 250], [300, 50], [50, 250]], float)
    for corners in (np.zeros((4, 2)), crossed):
        with pytest.raises(ChartError, match="enclose no chart"):
            chart_within(corners, scan, PATCHES_24)
    with pytest.raises(ChartError, match="not those of"):
        chart_within(np.array([[0, 0], [90, 0], [90, 60], [0, 60]], float), scan, PATCHES_24)

"""The sheet is found, left alone or held, on drawn beds and on scans of known truth."""

import json
from pathlib import Path

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark_stages.sheet import Decision, Finding, find_items, find_sheet
from platemark_stages.sheet.blocks import place_by_area, rounding_of

PPI = 150.0
MM = PPI / 25.4
BED_MM = (150.0, 130.0)  # height, width: large enough for every rule of the finder, small enough for a quick test
WHITE_LID, BLACK_LID = (245.0, 246.0, 245.0), (22.0, 22.0, 24.0)
WHITE_PAPER = (245.0, 244.5, 240.0)
SCANS = Path(__file__).parent.parent / "data" / "scans"
Picture = NDArray[np.float64]


class Bed:
    """A bed on which sheets are laid; grey levels of 8 bits."""

    def __init__(self, lid: tuple[float, float, float] = WHITE_LID) -> None:
        """Start with bare lid, a little brighter in the middle."""
        rows, columns = (round(side * MM) for side in BED_MM)
        self.y, self.x = np.mgrid[0.5:rows, 0.5:columns]
        fall_off = 1.5 * np.sin(np.pi * self.y / rows) * np.sin(np.pi * self.x / columns)
        self.picture: Picture = np.asarray(lid) + fall_off[..., None]

    def lay(
        self,
        centre_mm: tuple[float, float],
        size_mm: tuple[float, float],
        skew: float,
        paper: object = WHITE_PAPER,
        shadow: float = 5.0,
    ) -> "Bed":
        """Lay a sheet: centre and size as (x, y) in millimetres, shadow in grey levels below it."""
        turn = np.radians(skew)
        right, down = self.x - centre_mm[0] * MM, self.y - centre_mm[1] * MM
        u, v = right * np.cos(turn) - down * np.sin(turn), right * np.sin(turn) + down * np.cos(turn)
        half_u, half_v = size_mm[0] * MM / 2, size_mm[1] * MM / 2
        # A pixel that an edge crosses is paper in part; half a pixel of blur beside that.
        cover = np.clip((half_u - np.abs(u)) / 1.5 + 0.5, 0, 1) * np.clip((half_v - np.abs(v)) / 1.5 + 0.5, 0, 1)
        below = np.where((np.abs(u) < half_u) & (v > half_v - 1), np.exp(-np.maximum(v - half_v, 0) / (0.4 * MM)), 0)
        self.picture = self.picture - shadow * below[..., None]
        colour = paper(u, v) if callable(paper) else np.asarray(paper)
        self.picture = self.picture * (1 - cover[..., None]) + colour * cover[..., None]
        return self

    def scanned(self, noise: float = 0.5) -> NDArray[np.uint16]:
        """Read the bed with 8 bits, widened to 16."""
        random = np.random.default_rng(11)
        noisy = self.picture + random.normal(0, noise, self.picture.shape)
        return np.rint(np.clip(noisy, 0, 255)).astype(np.uint16) * 257


def corners_of(centre_mm: tuple[float, float], size_mm: tuple[float, float], skew: float) -> Picture:
    """Corners of a sheet in pixels, clockwise from its top left."""
    turn = np.radians(skew)
    half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.array(size_mm) * MM / 2
    turned = half @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return turned + np.array(centre_mm) * MM


def assert_found(found: Finding, corners: Picture, skew: float) -> None:
    """A crop within 0.05 degrees (0.2 mm over an A4 sheet) and half a millimetre at every corner."""
    assert found.decision is Decision.CROP, found.reason
    assert found.skew == pytest.approx(skew, abs=0.05)
    assert np.hypot(*(np.array(found.corners) - corners).T).max() < 0.5 * MM
    assert found.confidence >= 0.8


def blotches(u: Picture, v: Picture) -> Picture:
    """Art without a straight line, to the edges of whatever carries it; texture of 8 levels."""
    random = np.random.default_rng(3)
    tone = 40 * np.sin(u / 23 + np.sin(v / 31)) + 40 * np.cos(v / 29 + np.sin(u / 37)) + random.normal(0, 8, u.shape)
    return np.stack([120 + tone, 100 + 0.7 * tone, 90 - 0.5 * tone], axis=-1)


def painting_in_margins(u: Picture, v: Picture) -> Picture:
    """A painting with a straight border, turned by 1.5 degrees on its sheet."""
    turn = np.radians(1.5)
    a, b = u * np.cos(turn) - v * np.sin(turn), u * np.sin(turn) + v * np.cos(turn)
    inside = (np.abs(a) < 32 * MM) & (np.abs(b) < 40 * MM)
    return np.where(inside[..., None], blotches(u, v), np.asarray(WHITE_PAPER))


@pytest.mark.parametrize("skew", [-3.3, 0.4, 8.0])
def test_white_paper_under_a_white_lid_is_found_by_tint_and_shadow(skew: float) -> None:
    place = ((64.0, 76.0), (80.0, 100.0), skew)
    assert_found(find_sheet(Bed().lay(*place).scanned(), PPI), corners_of(*place), skew)


def test_a_dark_painting_under_a_black_lid_is_found() -> None:
    place = ((66.0, 73.0), (85.0, 105.0), -1.7)
    bed = Bed(BLACK_LID).lay(*place, paper=lambda u, v: 0.15 * blotches(u, v) + 22, shadow=1.0)
    assert_found(find_sheet(bed.scanned(), PPI), corners_of(*place), -1.7)


def test_the_sheet_is_found_and_not_the_painting_that_lies_askew_on_it() -> None:
    place = ((65.0, 75.0), (85.0, 105.0), -1.0)
    bed = Bed().lay(*place, paper=painting_in_margins)
    assert_found(find_sheet(bed.scanned(), PPI), corners_of(*place), -1.0)


def test_a_sheet_pushed_into_the_corner_of_the_bed_is_cut_along_the_rims() -> None:
    place = ((44.0, 54.0), (90.0, 110.0), 0.0)
    found = find_sheet(Bed().lay(*place).scanned(), PPI)
    assert found.decision is Decision.CROP, found.reason
    assert [side.on_rim for side in found.sides] == [True, False, False, True]
    assert found.corners[2] == pytest.approx(corners_of(*place)[2], abs=0.5 * MM)
    assert found.corners[0] == pytest.approx((0, 0), abs=0.5 * MM)


def drawn_border(u: Picture, v: Picture) -> Picture:
    """White paper with a straight line drawn all around, 6 mm within a sheet of 90 x 110 mm."""
    near = np.abs(np.maximum(np.abs(u) - 39 * MM, np.abs(v) - 49 * MM)) < 0.3 * MM
    return np.where(near[..., None], 20.0, np.asarray(WHITE_PAPER))


def test_a_border_drawn_on_a_sheet_in_the_corner_of_the_bed_is_not_taken_for_its_edges() -> None:
    found = find_sheet(Bed().lay((44.0, 54.0), (90.0, 110.0), 0.0, paper=drawn_border).scanned(), PPI)
    assert found.decision is Decision.CROP, found.reason
    assert [side.on_rim for side in found.sides] == [True, False, False, True]
    assert found.corners[2] == pytest.approx(np.array((89.0, 109.0)) * MM, abs=0.5 * MM)


def test_a_side_that_leans_towards_the_rim_of_the_bed_is_found() -> None:
    # Its corner lies 2 mm from the right rim; the line of its side leaves the bed there, 100 mm below the top.
    place = ((80.0, 115.0), (90.0, 45.0), -9.0)
    assert_found(find_sheet(Bed((118.0, 119.0, 121.0)).lay(*place).scanned(), PPI), corners_of(*place), -9.0)


def taped_sheet(size_mm: tuple[float, float] = (80.0, 100.0)) -> NDArray[np.uint16]:
    """A sheet hardly yellower than the lid, with tape like the lid over two of its corners."""
    bed = Bed().lay((64.0, 76.0), size_mm, -0.4, paper=(245.0, 244.5, 243.0))
    for side in (-1, 1):
        corner = (64.0 + side * size_mm[0] / 2, 76.0 - size_mm[1] / 2)
        bed.lay(corner, (32.0, 16.0), 3.0, paper=(245.0, 246.0, 245.0), shadow=0.0)
    return bed.scanned(0.7)


def test_an_edge_that_tape_hides_for_the_most_part_is_found_along_the_direction_of_the_others() -> None:
    found = find_sheet(taped_sheet(), PPI)
    assert_found(found, corners_of((64.0, 76.0), (80.0, 100.0), -0.4), -0.4)
    assert found.sides[0].share < 0.75


def pale_margins(u: Picture, v: Picture) -> Picture:
    """A painting of 64 x 80 mm on paper one level darker than the lid."""
    inside = (np.abs(u) < 32 * MM) & (np.abs(v) < 40 * MM)
    return np.where(inside[..., None], blotches(u, v), 244.6)


@pytest.mark.parametrize("quality", [60, 75])
def test_a_painting_is_not_cut_out_of_its_sheet_where_a_faint_edge_shows_outside(quality: int) -> None:
    bed = Bed((245.5, 245.5, 245.5)).lay((65.0, 75.0), (85.0, 105.0), -1.0, paper=pale_margins, shadow=0.8)
    found = find_sheet(jpeg(bed.scanned(), quality), PPI)
    assert found.decision is Decision.HELD
    assert "further edge" in found.reason


def test_an_empty_bed_is_left_alone() -> None:
    assert find_sheet(Bed().scanned(), PPI).decision is Decision.LEAVE


def test_art_all_over_the_bed_is_left_alone() -> None:
    found = find_sheet(Bed().lay((65.0, 75.0), (200.0, 200.0), 2.0, paper=blotches).scanned(), PPI)
    assert found.decision is Decision.LEAVE, found.reason


LAID = (
    ((32.0, 40.0), (50.0, 66.0), 1.2),
    ((96.0, 45.0), (52.0, 70.0), -0.7),
    ((64.0, 115.0), (100.0, 50.0), 0.0),
)


def test_several_sheets_are_found_each_as_exactly_as_one_in_reading_order() -> None:
    bed = Bed()
    for place, paper in zip(LAID[::-1], (WHITE_PAPER, blotches, WHITE_PAPER), strict=True):
        bed.lay(*place, paper=paper)
    division = find_items(bed.scanned(), PPI)
    assert division.decision is Decision.CROP, division.reason
    for item, place in zip(division.items, LAID, strict=True):
        assert_found(item, corners_of(*place), place[2])


def test_one_sheet_is_the_same_alone_and_as_the_only_item() -> None:
    scan = Bed().lay((64.0, 76.0), (80.0, 100.0), 1.0).scanned()
    assert find_items(scan, PPI).items == (find_sheet(scan, PPI),)


def test_where_one_sheet_is_asked_for_two_are_held() -> None:
    bed = Bed().lay((66.0, 38.0), (100.0, 60.0), 1.0).lay((64.0, 111.0), (100.0, 60.0), -0.6, paper=blotches)
    found = find_sheet(bed.scanned(), PPI)
    assert found.decision is Decision.HELD
    assert "2 sheets found" in found.reason


def test_sheets_side_by_side_in_line_are_not_taken_for_one() -> None:
    places = (((65.0, 40.0), (100.0, 66.0), 0.0), ((65.0, 109.0), (100.0, 66.0), 0.0))
    division = find_items(Bed().lay(*places[0]).lay(*places[1]).scanned(), PPI)
    assert division.decision is Decision.CROP, division.reason
    for item, place in zip(division.items, places, strict=True):
        assert_found(item, corners_of(*place), 0.0)


def test_sheets_that_cover_more_of_the_bed_than_they_leave_are_not_taken_for_its_lid() -> None:
    kraft = (176.0, 146.0, 112.0)
    places = (((65.0, 48.0), (120.0, 86.0), 0.4), ((65.0, 123.0), (110.0, 44.0), -0.3))
    division = find_items(Bed().lay(*places[0], paper=kraft).lay(*places[1], paper=kraft).scanned(), PPI)
    assert division.decision is Decision.CROP, division.reason
    for item, place in zip(division.items, places, strict=True):
        assert_found(item, corners_of(*place), place[2])


def test_a_strip_of_lid_above_a_wide_dark_sheet_is_not_taken_for_the_frame_of_the_glass() -> None:
    place = ((65.0, 50.0), (126.0, 90.0), 0.0)
    found = find_sheet(Bed().lay(*place, paper=(176.0, 146.0, 112.0)).scanned(), PPI)
    assert_found(found, corners_of(*place), 0.0)


@pytest.mark.parametrize("over_mm", [0.0, 6.0])
def test_sheets_that_touch_or_overlap_are_held(over_mm: float) -> None:
    bed = Bed().lay((65.0, 45.0), (100.0, 60.0), 0.5).lay((65.0, 100.0 - over_mm), (90.0, 50.0), -0.8, paper=blotches)
    assert find_items(bed.scanned(), PPI).decision is Decision.HELD


def test_a_strip_of_colour_patches_is_no_item() -> None:
    place = ((48.0, 75.0), (80.0, 100.0), -1.0)
    bed = Bed().lay(*place)
    for patch in range(8):
        rows = slice(round((20 + 12 * patch) * MM), round((32 + 12 * patch) * MM))
        bed.picture[rows, round(100 * MM) : round(118 * MM)] = (30 * patch + 10, 200 - 20 * patch, 128)
    division = find_items(bed.scanned(), PPI)
    assert division.decision is Decision.CROP, division.reason
    assert len(division.items) == 1
    assert_found(division.items[0], corners_of(*place), -1.0)


def painting_in_narrow_margins(u: Picture, v: Picture) -> Picture:
    """A painting as straight as its sheet of 90 x 100 mm, with margins of 6 mm; all of it grey, as is the lid."""
    inside = (np.abs(u) < 39 * MM) & (np.abs(v) < 44 * MM)
    return np.where(inside[..., None], blotches(u, v)[..., :1], np.asarray((245.0, 245.0, 245.0)))


def test_the_border_of_a_painting_is_no_gap_between_two_sheets_where_paper_and_lid_look_the_same() -> None:
    place = ((65.0, 72.0), (90.0, 100.0), 1.0)
    bed = Bed((245.0, 245.0, 245.0)).lay(*place, paper=painting_in_narrow_margins)
    # Lamps throw a shadow on every side; that of `lay` is below alone.
    turn = np.radians(1.0)
    right, down = bed.x - 65 * MM, bed.y - 72 * MM
    u, v = right * np.cos(turn) - down * np.sin(turn), right * np.sin(turn) + down * np.cos(turn)
    out = np.maximum(np.abs(u) - 45 * MM, np.abs(v) - 50 * MM)
    bed.picture -= 6 * np.where(out > 0, np.exp(-out / (0.4 * MM)), 0)[..., None]
    assert_found(find_sheet(bed.scanned(), PPI), corners_of(*place), 1.0)


def test_a_line_from_rim_to_rim_along_the_columns_is_the_scanners_and_no_edge() -> None:
    place = ((50.0, 72.0), (70.0, 100.0), 1.2)
    bed = Bed((142.0, 143.0, 145.0)).lay(*place)
    bed.picture[:, round(110 * MM) :] -= 1.5
    assert_found(find_sheet(bed.scanned(), PPI), corners_of(*place), 1.2)


@pytest.mark.parametrize("skew", [-5.8, 2.5])
def test_light_paper_on_a_dark_bed_is_found_though_each_edge_is_seen_at_many_slopes(skew: float) -> None:
    place = ((65.0, 75.0), (90.0, 110.0), skew)
    bed = Bed((60.0, 60.0, 62.0)).lay(*place, paper=(236.0, 232.0, 222.0), shadow=0.0)
    assert_found(find_sheet(bed.scanned(1.0), PPI), corners_of(*place), skew)


def jpeg(scan: NDArray[np.uint16], quality: int) -> NDArray[np.uint16]:
    """The same after it was a JPEG of that quality, with colour at half the density."""
    file = pyvips.Image.new_from_array((scan >> 8).astype(np.uint8)).jpegsave_buffer(Q=quality)
    return pyvips.Image.new_from_buffer(file, "").numpy().astype(np.uint16) * 257


def test_blocks_of_a_jpeg_are_noticed_and_a_plain_picture_has_none() -> None:
    scan = Bed((231.0, 232.0, 229.0)).lay((64.0, 76.0), (80.0, 100.0), 0.4, paper=(243.0, 240.0, 230.0)).scanned()
    assert rounding_of(scan) == (0.0, 0.0, 0.0)
    # The coarsest step of chroma at quality 75 is 9 in 8 times the mean of a block (ITU-T T.81, K.1), so 1.1 levels
    # in Cb and 1.1 x 1.77 in blue against red.
    assert 0.8 < rounding_of(jpeg(scan, 75))[1] < 2.5


def test_an_edge_is_not_moved_to_the_blocks_of_a_jpeg() -> None:
    # Without skew every block along an edge is cut alike, so nothing averages out.
    place = ((64.7, 75.6), (80.0, 100.0), 0.0)
    bed = Bed((231.0, 232.0, 229.0)).lay(*place, paper=(243.0, 240.0, 230.0))
    assert_found(find_sheet(jpeg(bed.scanned(), 80), PPI), corners_of(*place), 0.0)


def test_a_paper_size_raises_or_lowers_the_chance_and_forces_nothing() -> None:
    # Pale paper of the lid's own tint in a coarse file: found, but not beyond doubt.
    scan = jpeg(Bed().lay((64.0, 76.0), (80.0, 100.0), 0.0).scanned(), 80)
    plain, fits, differs = (find_sheet(scan, PPI, paper) for paper in (None, (100.0, 80.0), (148.0, 210.0)))
    assert differs.confidence < plain.confidence < fits.confidence
    assert differs.corners == plain.corners == fits.corners


def test_a_size_that_paper_is_sold_in_raises_the_chance() -> None:
    # 74 x 105 mm is A7 (ISO 216); where the same scan is said to be of 144 ppi it is 77 x 109 mm, which nobody sells.
    scan = taped_sheet((74.0, 105.0))
    sold, odd = find_sheet(scan, PPI), find_sheet(scan, 144.0)
    assert odd.confidence < sold.confidence


def torn_sheet(wander_mm: float, seed: int) -> NDArray[np.uint16]:
    """A sheet of 70 x 90 mm whose edges wander, 3 mm from one bay to the next."""
    random, bed = np.random.default_rng(seed), Bed((118.0, 119.0, 121.0))
    bays = [random.normal(0, wander_mm, 60) for _ in range(4)]

    def edge(side: int, along: Picture) -> Picture:
        return np.asarray(np.interp(along / MM, 3.0 * np.arange(60), bays[side]) * MM)

    left, top = 30 * MM + edge(0, bed.y), 28 * MM + edge(1, bed.x)
    right, bottom = 100 * MM + edge(2, bed.y), 118 * MM + edge(3, bed.x)
    inward = np.minimum(np.minimum(bed.x - left, right - bed.x), np.minimum(bed.y - top, bottom - bed.y))
    cover = np.clip(inward / 1.5 + 0.5, 0, 1)[..., None]
    bed.picture = bed.picture * (1 - cover) + np.asarray(WHITE_PAPER) * cover
    return bed.scanned()


def test_a_torn_sheet_is_mostly_found_at_the_line_a_ruler_would_be_laid_to() -> None:
    drawn = [find_sheet(torn_sheet(0.5, seed), PPI) for seed in range(8)]
    found = [finding for finding in drawn if finding.decision is Decision.CROP]
    assert len(found) >= len(drawn) / 2, [finding.reason for finding in drawn]
    corners = np.array([(30, 28), (100, 28), (100, 118), (30, 118)]) * MM
    # A line through thirty bays that wander by half a millimetre is known to 0.2 mm at its ends; two meet in a corner.
    assert all(np.hypot(*(np.array(finding.corners) - corners).T).max() < 1.0 * MM for finding in found)


def deckle_sheet(depth_mm: float) -> NDArray[np.uint16]:
    """A sheet of 70 x 90 mm whose right edge falls back and reaches out by so much, in waves of 9 mm."""
    bed = Bed((118.0, 119.0, 121.0))
    right = 100 * MM + depth_mm * MM * np.sin(2 * np.pi * bed.y / (9 * MM))
    inward = np.minimum(np.minimum(bed.x - 30 * MM, right - bed.x), np.minimum(bed.y - 28 * MM, 118 * MM - bed.y))
    cover = np.clip(inward / 1.5 + 0.5, 0, 1)[..., None]
    bed.picture = bed.picture * (1 - cover) + np.asarray(WHITE_PAPER) * cover
    return bed.scanned()


@pytest.mark.parametrize("depth_mm", [0.4, 0.8])
def test_the_bays_and_tongues_of_a_deckle_edge_are_measured(depth_mm: float) -> None:
    found = find_sheet(deckle_sheet(depth_mm), PPI)
    top, right, bottom, left = found.sides
    assert found.decision is Decision.CROP, found.reason
    # Pieces of a millimetre average a wave of nine: a tenth of a millimetre is what that may cost.
    assert right.bay == pytest.approx(depth_mm, abs=0.15)
    assert right.tongue == pytest.approx(depth_mm, abs=0.15)
    assert all(side.bay == side.tongue == 0 for side in (top, bottom, left))


def test_a_sheet_that_is_doubtful_by_itself_is_cut_out_where_it_has_the_size_that_was_told() -> None:
    scan = torn_sheet(0.5, 4)
    alone, told = find_sheet(scan, PPI), find_sheet(scan, PPI, (90.0, 70.0))
    assert (alone.decision, told.decision) == (Decision.HELD, Decision.CROP)
    assert alone.corners == told.corners


def test_a_signature_without_an_edge_in_sight_is_held() -> None:
    bed = Bed()
    bed.picture[500:530, 300:420:4] -= 120
    assert find_sheet(bed.scanned(), PPI).decision is Decision.HELD


def test_one_stroke_on_paper_like_the_lid_is_held_and_a_bit_of_dust_is_not() -> None:
    # A stroke of 6 mm is longer than dust; twenty specks of half a millimetre are what lies on any glass.
    stroke, dusty = Bed(), Bed()
    stroke.picture[500:503, 300:336] -= 60
    assert find_sheet(stroke.scanned(), PPI).decision is Decision.HELD
    for row, column in np.random.default_rng(5).integers(20, 700, (20, 2)).tolist():
        dusty.picture[row : row + 3, column : column + 3] -= 40
    assert find_sheet(dusty.scanned(), PPI).decision is Decision.LEAVE


def test_an_edge_within_a_block_of_colour_is_placed_by_the_area_it_covers() -> None:
    # Colour 0 up to position 37 and 10 beyond; the block from 32 to 48 has their mean, 10 x 11 / 16.
    warm = np.concatenate([np.zeros(32), np.full(16, 10 * 11 / 16), np.full(52, 10.0)])
    picture = np.full((60, 100, 3), 128.0 * 257)
    picture[..., 0] += warm / 2 * 257
    picture[..., 2] -= warm / 2 * 257
    for border in (32.0, 48.0):
        found = place_by_area(picture.astype(np.uint16), border, 1, (0.0, 2.0, 2.0))
        assert found is not None
        assert found[0] == pytest.approx(37.0, abs=0.1)


def test_grey_scans_need_three_equal_bands() -> None:
    with pytest.raises(ValueError, match="is needed"):
        find_sheet(np.zeros((900, 800), dtype=np.uint16), PPI)


def truths() -> list[dict[str, object]]:
    """Scans of known truth that lie beside the tests."""
    scans: list[dict[str, object]] = json.loads((SCANS / "truth.json").read_text())["scans"]
    return scans


@pytest.mark.parametrize("truth", truths(), ids=lambda truth: str(truth["file"]))
def test_scans_of_known_truth(truth: dict[str, object]) -> None:
    scan = pyvips.Image.new_from_file(str(SCANS / str(truth["file"]))).colourspace("srgb")
    pixels = scan.numpy().astype(np.uint16) * 257
    found = find_sheet(pixels, float(str(truth["dpi"])))
    assert found.decision.value == truth["expectation"], found.reason
    for item in truth["items"]:  # type: ignore[attr-defined] # JSON
        # The targets of the finder: 0.06 degrees and 0.4 mm in 95 of 100 cases.
        assert found.skew == pytest.approx(item["skew_deg"], abs=0.06)
        off = np.array(found.corners) - np.array(item["corners_px"])
        assert np.hypot(*off.T).max() * 25.4 / float(str(truth["dpi"])) < 0.4


def test_a_loose_drawing_whose_sheet_does_not_show_is_not_passed_over() -> None:
    # White paper under a white lid without a trace of its edges, beside a dark sheet that nobody can miss: the strokes
    # reach into not quite half of what they lie in.
    noise = np.random.default_rng(5)
    bed = np.full((1750, 1270), 245.0) + noise.normal(0, 0.5, (1750, 1270))
    bed[1300:1700, 100:1100] = 60 + noise.normal(0, 0.5, (400, 1000))
    for y in range(504, 1000, 24):
        for x in range(144, 1050, 24):
            if noise.random() < 0.5:
                bed[y + 4 : y + 20, x + 10 : x + 12] -= 90
    pixels = np.rint(np.clip(bed, 0, 255) * 257).astype(np.uint16)
    found = find_items(np.repeat(pixels[..., None], 3, axis=2), 150.0)
    assert found.decision is Decision.HELD
    assert "2 things lie on the bed" in found.reason

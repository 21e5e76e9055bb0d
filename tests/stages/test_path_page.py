"""Path page: what is drawn is as large and as neutral as it says, and its colours tell what became of the profile."""

from io import BytesIO

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms

from platemark import Held, Picture
from platemark.flow.path_original import path_original
from platemark.pixels.depth import to_eight_bits
from platemark.pixels.icc_writer import exchanged_profile
from platemark.pixels.profiles import grey, read_profile
from platemark.testing import check_stage, gradient_picture, job_for, measure_and_apply, picture_of
from platemark_stages.path_page import PathPage, PathPageParameters

PPI = 180
A4 = {"sheet": "A4", "orientation": "portrait", "border": 0, "ppi": PPI}
Pixels = NDArray[np.uint8]


def original(ppi: int = PPI) -> Picture:
    with Image.open(BytesIO(path_original(ppi))) as image:
        pixels = np.asarray(image).astype(np.uint16) * 257
    return picture_of(pixels, ppi, read_profile(exchanged_profile(), "the page"))


@pytest.fixture(scope="module")
def page() -> tuple[PathPageParameters, Pixels]:
    """The page's parameters, and its pixels as they stand in the file."""
    parameters, after = measure_and_apply(PathPage, original(), job_for(**A4))
    assert isinstance(parameters, PathPageParameters)
    image = to_eight_bits(after.pixels())
    pixels = np.frombuffer(image.write_to_memory(), np.uint8).reshape(image.height, image.width, 3)
    return parameters, pixels


def honoured(pixels: Pixels) -> Pixels:
    """The colours that whoever honours the profile sees: lcms2, called by the Python imaging library."""
    embedded = ImageCms.ImageCmsProfile(BytesIO(exchanged_profile()))
    seen = ImageCms.profileToProfile(Image.fromarray(pixels), embedded, ImageCms.createProfile("sRGB"))
    assert seen is not None
    return np.asarray(seen)


def luminance(pixels: Pixels) -> NDArray[np.float64]:
    """Relative luminance. Source: IEC 61966-2-1."""
    code = pixels / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    weighed: NDArray[np.float64] = light @ np.array([0.2126, 0.7152, 0.0722])
    return weighed


def test_the_square_measures_a_hundred_millimetres(page: tuple[PathPageParameters, Pixels]) -> None:
    parameters, pixels = page
    dark = pixels.max(axis=2) < 40
    ruler = parameters.rulers[0]
    top, left = dark[ruler.y, : ruler.x + 110 * PPI // 25], dark[: ruler.y + 110 * PPI // 25, ruler.x]
    for line, start in ((top, ruler.x), (left, ruler.y)):
        assert not line[start - 1]
        length = int(np.argmin(line[start:]))
        assert length / PPI * 25.4 == pytest.approx(100, abs=0.5 / PPI * 25.4), "half a pixel"


def test_the_outer_line_lies_six_millimetres_inside_the_paper(page: tuple[PathPageParameters, Pixels]) -> None:
    _, pixels = page
    dark = pixels.max(axis=2) < 40
    rows, columns = np.flatnonzero(dark.mean(axis=1) > 0.9), np.flatnonzero(dark.mean(axis=0) > 0.9)
    ends = (rows[0], columns[0], pixels.shape[0] - 1 - rows[-1], pixels.shape[1] - 1 - columns[-1])
    assert np.array(ends) / PPI * 25.4 == pytest.approx(6, abs=0.5 / PPI * 25.4)
    assert pixels.shape[:2] == (round(297 / 25.4 * PPI), round(210 / 25.4 * PPI)), "ISO 216"


def test_ticks_stand_on_their_millimetres(page: tuple[PathPageParameters, Pixels]) -> None:
    parameters, pixels = page
    ruler = parameters.rulers[0]
    row = pixels[ruler.y + round(1.2 / 25.4 * PPI), ruler.x + 4 : ruler.x + round(99.5 / 25.4 * PPI), 0] < 128
    ticks = (np.flatnonzero(np.diff(row.astype(int)) == 1) + 5.5) / PPI * 25.4
    assert ticks == pytest.approx(np.arange(1, 100), abs=1 / PPI * 25.4)


def test_the_word_that_is_true_stands_out_and_the_other_is_pale(page: tuple[PathPageParameters, Pixels]) -> None:
    parameters, pixels = page
    for seen, clear in ((honoured(pixels), "HONOURED"), (pixels, "IGNORED")):
        depth = {}
        for word in parameters.words:
            box = seen[word.y : word.y + word.px, word.x : word.x + 4 * word.px]
            depth[word.text] = 1 - float(luminance(box).min())
        other = next(word for word in depth if word != clear)
        # WCAG 2.2, contrast = (1 + 0.05) / (L + 0.05): the clear one more than 1.8, the pale one hardly above 1.
        assert 1.05 / (1.05 - depth[clear]) > 1.8
        assert 1.05 / (1.05 - depth[other]) < 1.1


def test_the_meadow_is_green_only_where_the_profile_is_honoured(page: tuple[PathPageParameters, Pixels]) -> None:
    parameters, pixels = page
    x, y = parameters.left + round(20 / 25.4 * PPI), parameters.top + round(40 / 25.4 * PPI)
    red, green, blue = honoured(pixels)[y, x].astype(int)
    assert green > max(red, blue) + 20
    red, green, blue = pixels[y, x].astype(int)
    assert blue > max(red, green) + 20
    sky = (parameters.top + 20, parameters.left + 20)
    assert np.argmax(honoured(pixels)[sky]) == 2
    assert np.argmax(pixels[sky]) == 1


def test_greys_and_words_are_neutral_with_the_profile_and_without(page: tuple[PathPageParameters, Pixels]) -> None:
    parameters, pixels = page
    ruler, below = parameters.rulers[0], parameters.tones[-1]
    for seen in (honoured(pixels), pixels):
        part = seen[ruler.y : below.y + below.height].astype(int)
        assert np.ptp(part, axis=2).max() <= 1


def test_patterns_are_as_fine_as_the_file(page: tuple[PathPageParameters, Pixels]) -> None:
    parameters, pixels = page
    single = next(it for it in parameters.patterns if it.kind == "checks" and it.period == 2)
    box = pixels[single.y : single.y + single.height, single.x : single.x + single.width, 0].astype(int)
    assert set(np.unique(box)) == {0, 255}
    assert (np.abs(np.diff(box, axis=0)) == 255).all()
    assert (np.abs(np.diff(box, axis=1)) == 255).all()


def test_stripes_send_back_as_much_light_as_the_grey_above_them(page: tuple[PathPageParameters, Pixels]) -> None:
    parameters, pixels = page
    stripes = [it for it in parameters.patterns if it.period == 16]
    assert len(stripes) == 8
    for it in stripes:
        above = pixels[it.y - 3, it.x + 3]
        period = pixels[it.y : it.y + 16, it.x + 3]
        # Rounding leaves half of one pixel of the sixteen, and half a step of 8 bits in the grey.
        assert float(luminance(period).mean()) == pytest.approx(float(luminance(above[None])[0]), abs=1 / 32 + 0.003)


def test_everything_lies_inside_the_outer_line(page: tuple[PathPageParameters, Pixels]) -> None:
    _, pixels = page
    six = round(6 / 25.4 * PPI)
    rim = np.ones(pixels.shape[:2], bool)
    rim[six : pixels.shape[0] - six, six : pixels.shape[1] - six] = False
    assert (pixels[rim] == 255).all()


def test_a_sheet_that_is_too_small_is_held() -> None:
    with pytest.raises(Held, match="needs a sheet of") as held:
        measure_and_apply(PathPage, original(), job_for(sheet="A5", border=0, ppi=PPI))
    assert "A4" in held.value.remedy


def test_a_grey_picture_makes_no_page() -> None:
    picture = picture_of(gradient_picture().array()[..., :1].copy(), profile=grey())
    with pytest.raises(Held, match="its own small picture"):
        measure_and_apply(PathPage, picture, job_for(**A4))


def test_path_page_keeps_the_contract() -> None:
    check_stage(PathPage, original(90), job_for(**{**A4, "ppi": 90}))

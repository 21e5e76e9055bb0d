"""The page: what was found, in words and pictures. One file without a script, and nothing that it loads."""

from html import escape
from string import Template

from platemark.face.comparison import pictures
from platemark.face.comparison.scale import STEPS, shares
from platemark.face.comparison.style import STYLE
from platemark.flow.comparing.comparison import Comparison
from platemark.flow.comparing.measuring import OFF
from platemark.flow.comparing.verdict import AREA_MM2, HALF, PASS, STOP, Word
from platemark.records.names import shown

_PAGE = Template("""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>$title</title>
<style>$style</style>
</head>
<body>
<header class="$mark">
<p class="names"><b>$first</b> against <b>$second</b></p>
<h1><span class="sign" aria-hidden="true">$sign</span> $verdict</h1>
<ul>$reasons</ul>
</header>
<main>
<section class="figures">$figures</section>
<section class="pictures">
<figure><img src="$one" alt="The first sheet: $first"><figcaption><b>First</b> $first</figcaption></figure>
<figure><img src="$other" alt="The second sheet, laid on the first: $second">
<figcaption><b>Second</b> $second, laid on the first</figcaption></figure>
<figure><img class="map" src="$map" alt="Map of the colour difference; $area">
<figcaption><b>Difference</b> $caption</figcaption></figure>
</section>
<section><h2>What the shades of the map mean</h2>$legend</section>
$close
<section><h2>What was found</h2><ul>$findings</ul></section>
<section class="quiet"><h2>How far to trust this</h2>$caution</section>
</main>
</body>
</html>
""")
_SIGNS: dict[Word, tuple[str, str, str]] = {
    "passes": ("good", "\u2713", "It passes"),
    "look at it": ("look", "?", "Look at it beside the first"),
    "does not match": ("stop", "\u2715", "It does not match"),
}
_CAUTION = (
    "<p>A flatbed scanner is a poor colorimeter but a fair comparator: trust it most where both are printed with the "
    "same ink on the same paper and lay in one scan. An original against its print is a hint, since the scanner sees "
    "paints and inks otherwise than an eye. Before the last word, hold both side by side in the light they will be "
    "seen in, dry for a day.</p><p>The limits are common practice, not a standard: on average at most "
    f"{PASS:g} passes, up to {STOP:g} is looked at, more is stopped. An area counts as off over {OFF:g}; one of "
    f"{AREA_MM2 / 100:g} cm² or more, or detail of 1 or 2 lines per millimetre with less than {HALF:.0%} of its "
    "contrast, is looked at.</p>"
)


def page(compared: Comparison) -> bytes:
    """The report of a comparison as HTML; names and sentences are only ever text in it."""
    mark, sign, said = _SIGNS[compared.verdict.word]
    first, second = (escape(shown(sheet.name)) for sheet in (compared.first, compared.second))
    one, other = pictures.both(compared)
    area = "a frame stands about the largest area that is off" if compared.colours.area else "no area is off"
    text = _PAGE.substitute(
        title=f"{first} against {second}",
        style=STYLE,
        mark=mark,
        sign=sign,
        verdict=escape(said),
        first=first,
        second=second,
        reasons=_items([f"{reason[0].upper()}{reason[1:]}." for reason in compared.verdict.reasons]),
        figures=_figures(compared),
        one=one,
        other=other,
        map=pictures.difference(compared),
        area=area,
        caption=f"the darker, the further apart; {area}",
        legend=_legend(compared),
        close=_close(compared),
        findings=_items(compared.verdict.findings),
        caution=_CAUTION,
    )
    return text.encode()


def _items(sentences: list[str] | tuple[str, ...]) -> str:
    return "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)


def _figures(compared: Comparison) -> str:
    colours, area = compared.colours, compared.colours.area
    told = [
        (f"{colours.mean:.2f}", "mean difference", f"at most {PASS:g} passes, over {STOP:g} stops"),
        (f"{colours.p95:.2f}", "95th percentile", "all but the worst twentieth"),
        (f"{area.square_mm / 100:.1f} cm²" if area else "none", "largest area off", f"by more than {OFF:g}"),
    ]
    if compared.kept:
        # Two lines per millimetre is what reads as crisp in hand; the nearest that could be told.
        band = min(compared.kept, key=lambda kept: abs(kept.lines - 2))
        told.append((f"{band.share:.0%}", "of fine contrast kept", f"at {band.lines:g} lines per millimetre"))
    return "".join(
        f"<div><strong>{escape(value)}</strong><span>{escape(name)}</span><small>{escape(note)}</small></div>"
        for value, name, note in told
    )


def _legend(compared: Comparison) -> str:
    rows = []
    ends = [*(f"{step.start:g}" for step in STEPS[1:]), ""]
    for step, end, share in zip(STEPS, ends, shares(compared.colours), strict=True):
        span = f"{step.start:g} to {end}" if end else f"over {step.start:g}"
        red, green, blue = step.colour
        rows.append(
            f'<tr><td><i style="background:rgb({red},{green},{blue})"></i></td><td>{span}</td><td>{escape(step.words)}'
            f'</td><td><b class="bar" style="width:{12 * share:.2f}rem"></b></td>'
            f"<td>{_percent(share)}</td></tr>"
        )
    head = "<tr><th></th><th>CIEDE2000</th><th>in words</th><th colspan=2>of the picture</th></tr>"
    return f"<table>{head}{''.join(rows)}</table><p>Grey: only one of the two sheets lies there.</p>"


def _percent(share: float) -> str:
    """Less than half a per cent is not nothing.

    >>> _percent(0.0), _percent(0.001), _percent(0.256)
    ('none', 'under 1 %', '26 %')
    """
    if share == 0:
        return "none"
    return f"{share * 100:.0f} %" if share >= 0.01 else "under 1 %"


def _close(compared: Comparison) -> str:
    seen = pictures.close(compared)
    if seen is None:
        return ""
    shown_both = "".join(_figure(image, which) for image, which in zip(seen, ("First", "Second"), strict=True))
    heading = "Where the largest area is furthest off, close up"
    return f'<section><h2>{heading}</h2><div class="pictures">{shown_both}</div></section>'


def _figure(image: str, which: str) -> str:
    return f'<figure><img src="{image}" alt="{which}, close up"><figcaption><b>{which}</b></figcaption></figure>'

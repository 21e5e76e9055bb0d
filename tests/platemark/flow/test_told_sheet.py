"""The artist may tell what paper an original is on: evidence for the finder, and no more."""

import tomllib
from pathlib import Path

import pytest

from conftest import CONFIG, Bench, sheet_scan, write_scan
from platemark.config.model import Scanner
from platemark.contract.plugins import load_plugins
from platemark.flow import dividing
from platemark.flow.looking import look_at


def placed(bench: Bench, ticket: str) -> list[dict[str, object]]:
    """What deskew and crop decided for a scan with such a ticket."""
    scan = bench.drop("heron.tif", sheet_scan(skew=1.5))
    scan.with_suffix(".toml").write_text(ticket, encoding="utf-8")
    bench.run()
    manifest = tomllib.loads((bench.root / "ready" / "heron.card.toml").read_text(encoding="utf-8"))
    return [step["parameters"] for step in manifest["transforms"] if step["stage"] in {"deskew", "crop"}]


def test_the_size_told_in_the_config_reaches_whoever_looks_for_sheets(tmp_path: Path) -> None:
    scanner = Scanner.model_validate({"ppi": 150, "sheet": "A5"})
    look = look_at(write_scan(tmp_path / "heron.tif"), scanner, load_plugins(None))
    assert look.picture is not None
    assert look.picture.sheet_mm == (148.0, 210.0)


def test_the_size_told_in_a_ticket_reaches_whoever_looks_for_sheets(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen, ask = [], dividing._ask

    def noted(picture, plugins):
        seen.append(picture.sheet_mm)
        return ask(picture, plugins)

    monkeypatch.setattr(dividing, "_ask", noted)
    placed(Bench(tmp_path / "told"), 'sheet = "50 x 65 mm"')
    assert set(seen) == {(50.0, 65.0)}


def test_a_wrong_size_in_a_ticket_moves_no_corner(tmp_path: Path) -> None:
    plain = placed(Bench(tmp_path / "plain"), "")
    assert len(plain) == 2
    assert placed(Bench(tmp_path / "right"), 'sheet = "50 x 65 mm"') == plain
    assert placed(Bench(tmp_path / "wrong"), 'sheet = "52 x 70 mm"') == plain


def test_a_ticket_stands_above_the_config(tmp_path: Path) -> None:
    config = CONFIG.replace("[scanner]", '[scanner]\nsheet = "A5"')
    assert placed(Bench(tmp_path / "both", config), 'sheet = "50 x 65 mm"') == placed(Bench(tmp_path / "plain"), "")

"""Exactly one converter: what a conversion for the printer means where the driver converts, or must not."""

from typing import Literal

from platemark import Held, Paper

Effect = Literal["report", "convert", "simulate"]


def effect_on(asked: Literal["auto"] | Effect, paper: Paper) -> Effect:
    """What is done with the pixels on this paper: "auto" converts where it is the file that converts."""
    if asked == "auto":
        return "convert" if paper.converter == "file" else "report"
    return asked


def check_one_converter(asked: Literal["auto"] | Effect, paper: Paper) -> None:
    """Refuse two converters, and none.

    Raises:
        Held: what would happen on paper, and what to change.
    """
    effect = effect_on(asked, paper)
    if paper.converter == "driver" and effect == "convert":
        raise Held(
            'effect = "convert" brings the file into the printer\'s own colours, and with colour = "driver" the driver '
            "converts it once more: the print would come out shifted, with a green or magenta cast",
            remedy='write colour = "file" in [printer] and switch colour off in the driver, or take effect = "convert" '
            "out",
        )
    if paper.converter == "file" and effect != "convert":
        raise Held(
            f'colour = "file" leaves the driver out, and effect = "{effect}" converts nothing: the printer would take '
            "the numbers of a screen for its own, and the print come out dull and in wrong colours",
            remedy=f'take effect = "{effect}" out, or write colour = "driver" in [printer]',
        )
    if paper.converter == "file" and paper.profile is None:
        where = f"[paper.{paper.name}] has no profile" if paper.name else "this print names no paper"
        raise Held(
            f'colour = "file" has the file converted into the printer\'s own colours, and {where} to convert by',
            remedy='name the profile for your printer with this paper, or write colour = "driver" in [printer]',
        )

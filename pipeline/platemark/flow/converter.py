"""Exactly one converter between the file and the paper, and what is known of the way there.

Colours are brought into the printer's own once: by the file, as it is made, or by the driver, as it is printed. Twice,
or not at all, spoils a print without any message.
"""

from platemark.config.model import Printer
from platemark.contract.job import Job
from platemark.errors import Held
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile, grey, srgb

# A ruler of millimetres is read to about a third of one.
READ_MM = 0.3
_LINE_MM = 100.0


def check_converted_once(before: Picture, after: Picture) -> None:
    """What is in a printer's colours stays in them.

    Raises:
        Held: a stage converted it again.
    """
    if before.profile.device_class == "prtr" and after.profile.sha256 != before.profile.sha256:
        raise Held(
            f"the picture is in the colours of a printer already ({before.profile.description}), and this stage "
            f"converts it once more, to {after.profile.description}: the print would come out shifted and with a cast",
            remedy="let only one stage of the chain convert",
        )


def tell_the_way(embedded: Profile, job: Job, printer: Printer) -> None:
    """Hold a file to the one converter, and tell what is known of its way to the paper.

    Args:
        embedded: the profile of the file's pixels.
        job: told what to look at.
        printer: who converts, and what the printed test page showed.

    Raises:
        Held: two would convert this file, or nobody.
    """
    job.stage = "printer"
    for_printer = embedded.device_class == "prtr"
    if for_printer and job.paper.converter == "driver":
        raise Held(
            f'the file is in the printer\'s own colours ({embedded.description}), and colour = "driver" in [printer] '
            "lets the driver convert it once more: the print would come out shifted and with a cast",
            remedy='write colour = "file" in [printer] and switch colour off in the driver, or let no stage convert',
        )
    if not for_printer and job.paper.converter == "file":
        raise Held(
            'colour = "file" in [printer] leaves the driver out, and no stage brings this file into the printer\'s '
            "colours: nobody would convert, and the print would come out dull and in wrong colours",
            remedy='write colour = "driver" in [printer], or put a stage that converts into `stages`',
        )
    job.notice("colour", job.paper.converter)
    _tell_profiles(embedded, job, printer)
    if printer.line is not None and abs(printer.line - _LINE_MM) > READ_MM:
        job.notice(
            "size",
            round(printer.line / _LINE_MM, 4),
            f"the way to the printer makes {_LINE_MM:g} mm come out as {printer.line:g} mm: print at 100 %, without "
            "fitting to the page, and measure again with pathtest",
        )
    if printer.grey == "tinted":
        job.notice("grey", printer.grey)


def _tell_profiles(embedded: Profile, job: Job, printer: Printer) -> None:
    """Warn where what the test page showed does not go with this file."""
    plain = embedded.sha256 in {srgb().sha256, grey().sha256}
    if job.paper.converter == "driver" and printer.profiles == "ignored" and not plain:
        job.notice(
            "profiles",
            "ignored",
            f"the way to the printer ignores the profile in a file, and this one is not sRGB but "
            f"{embedded.description}: colours will be wrong; let it go out as sRGB",
        )
    if job.paper.converter == "file" and printer.profiles == "honoured":
        job.notice(
            "profiles",
            "honoured",
            "the way to the printer honours the profile in a file, and would convert this one a second time: switch "
            "colour off in the driver, and print pathtest again with that setting",
        )

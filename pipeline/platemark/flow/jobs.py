"""Filling in the job: what a stage may know of one scan on its way to one print."""

from platemark.config.layout import layout_for
from platemark.config.ticket import Ticket
from platemark.contract.job import Job, Work
from platemark.flow.studio import Studio
from platemark.records.store import Kept


def job_for(studio: Studio, print_name: str, kept: Kept, ticket: Ticket) -> Job:
    """The job of one print of an archived scan."""
    spec = studio.config.print[print_name]
    artist = studio.config.artist
    work = Work(
        name=kept.stem,
        sha256=kept.sha256,
        title=ticket.title or "",
        artist=ticket.artist or artist.name,
        copyright=artist.copyright,
        contact=artist.contact,
        year=str(ticket.year or ""),
        medium=ticket.medium or "",
        edition=ticket.edition or "",
    )
    return Job(
        print_name=print_name,
        work=work,
        paper=studio.paper(print_name),
        lay_out=lambda width, height: layout_for(spec, width, height),
        fit=spec.fit,
        fill_limit=spec.fill_limit,
    )

"""Telling plugins what happened: one at a time, so that one that fails stops only itself."""

import structlog

from platemark.contract.plugins import Plugins

log = structlog.get_logger("platemark")


def tell(plugins: Plugins, hook: str, **facts: object) -> None:
    """Call a hook of every plugin; an exception is logged with the plugin's name and changes nothing."""
    for name, call in plugins.implementing(hook):
        try:
            call(**facts)
        except (Exception, SystemExit) as fault:  # a stranger's code may raise anything
            log.exception("a plugin failed when it was told", plugin=name, hook=hook, fault=repr(fault))

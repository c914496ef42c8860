"""The page of the demo: the very page of the daemon, over the simulated cellar, on this machine alone."""

from ullage.adapters.errors import ConfigError
from ullage.daemon.demo import OPENING, Demo, vessels
from ullage.daemon.local_time import LocalTime
from ullage.daemon.page.cellar import Cellar
from ullage.daemon.page.server import PageServer
from ullage.daemon.page.shell import Look
from ullage.daemon.page_settings import PageSettings

CHART_EVERY_S = 3.0
"""A day passes in four seconds, so charts are drawn anew more often than they would be."""


def serve(demo: Demo, port: int | None) -> PageServer:
    """Start serving; on the port given, else on the usual one or, where that is taken, on any that is free.

    Raises
    ------
    ConfigError
        If the port that was asked for can't be had.
    """
    usual = PageSettings()
    try:
        return _served(demo, usual.port if port is None else port)
    except ConfigError:
        if port is not None:
            raise
        return _served(demo, 0)


def _served(demo: Demo, port: int) -> PageServer:
    cellar = Cellar(demo.store, demo.desk, vessels(), demo.clock, LocalTime.named("UTC"), demo.pipeline)
    server = PageServer(
        cellar, PageSettings(port=port), None, Look(note=OPENING, chart_every_s=CHART_EVERY_S)
    )
    server.bind()
    server.start()
    return server

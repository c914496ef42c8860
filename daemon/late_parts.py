"""What the daemon can do without until readings are judged: what comes round by itself, and the page.

Their imports are heavy, so each is made when its turn comes.
"""

from functools import partial

from ullage.adapters.source import Source
from ullage.daemon.core import Core
from ullage.daemon.local_time import LocalTime
from ullage.daemon.notifier import Notifier
from ullage.daemon.page_settings import PageSettings
from ullage.daemon.service import Late, Part
from ullage.daemon.settings import Config
from ullage.daemon.store.leases import HOUSE
from ullage.daemon.tended import Tended


def late_parts(
    core: Core, config: Config, notifier: Notifier | None, sources: tuple[Source, ...]
) -> tuple[Late, ...]:
    """Return how each is made, and from what: one that would be made from the same is left alone by a reload."""
    settings, zone, vessels = config.page, config.timezone, config.vessels
    late = [
        Late(
            name="upkeep",
            made_from=(config.schedule, config.store.keep_days, zone, vessels, config.notify),
            make=partial(_upkeep, core, config, notifier),
        )
    ]
    if settings is not None:
        token = settings.token()
        make = partial(_page, core, config, settings, token, sources)
        made_from = (settings, token, zone, vessels, sources)
        late.append(Late(name="page", made_from=made_from, make=make))
    return tuple(late)


def _upkeep(core: Core, config: Config, notifier: Notifier | None) -> Part:
    """Make what comes round by itself."""
    from ullage.daemon.batch_reminders import EVERY_S, remind
    from ullage.daemon.daily import daily_line
    from ullage.daemon.scheduler import Job
    from ullage.daemon.status import vessel_statuses
    from ullage.daemon.upkeep import Upkeep

    store, turf, desk, clock = core.place.store, core.place.turf, core.desk, core.clock

    def line() -> str:
        return daily_line(vessel_statuses(store, desk, config.vessels), clock.wall_s())

    def retain() -> None:
        store.retain(now_s=clock.wall_s(), keep_days=config.store.keep_days)

    def reminding() -> None:
        names = [vessel.vessel.name for vessel in config.vessels if turf.mine(vessel.vessel.name)]
        remind(store, desk, names, clock)

    upkeep = Upkeep(
        config.schedule,
        desk=desk,
        notifier=notifier,
        clock=clock,
        local=LocalTime.named(config.timezone),
        check_silence=core.pipeline.check_silence,
        retain=retain,
        check_database=store.check_integrity,
        daily_line=line,
        healthy=core.health.healthy,
        keep_days=config.store.keep_days,
        more=(Job(name="batches", run=reminding, every_s=EVERY_S, first_s=60.0),),
        house=lambda: turf.mine(HOUSE),
    )
    return Tended(upkeep, upkeep.loops(), core.health)


def _page(
    core: Core, config: Config, settings: PageSettings, token: str | None, sources: tuple[Source, ...]
) -> Part:
    """Make the page; nothing of a web server is imported before."""
    from ullage.daemon.page.cellar import Cellar
    from ullage.daemon.page.server import PageServer

    zone = LocalTime.named(config.timezone)
    cellar = Cellar(core.place.store, core.desk, config.vessels, core.clock, zone, core.pipeline, sources)
    return PageServer(cellar, settings, token)

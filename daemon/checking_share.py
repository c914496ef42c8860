"""What sharing the vessels means for this configuration, and how it stands, in words for a person."""

from collections.abc import Iterator

from ullage.adapters.errors import StoreError
from ullage.daemon.holding import Holding, holding
from ullage.daemon.settings import Config
from ullage.daemon.store.engine import label, parse_url
from ullage.daemon.store.store import Store

_PATIENCE_S = 5.0


def share_words(config: Config) -> Iterator[str]:
    """Yield lines on how the vessels are shared; none where they are not."""
    if config.share is None:
        return
    yield (
        f"The vessels are shared by all daemons that use {label(parse_url(config.store.url))} and this configuration; "
        f"here the daemon is called {config.share.named()}. Each vessel is watched by one of them; when that one dies, "
        "another has it within 30 s."
    )
    try:
        with Store.open(config.store.url, read_only=True, busy_timeout_s=_PATIENCE_S) as store:
            held = holding(store)
    except StoreError as error:
        yield f"  who watches what can't be told now: {error}"
        return
    yield from _now(config, held)


def _now(config: Config, held: Holding | None) -> Iterator[str]:
    if held is None or not held.daemons:
        yield "  no daemon that shares them runs now"
        return
    for daemon in held.daemons:
        yield f"  {daemon.name} on {daemon.machine} watches {daemon.vessels}"
    names = [watched.vessel.name for watched in config.vessels]
    free = [name for name in names if name not in held.holders]
    if free:
        yield f"  NOBODY watches {', '.join(free[:10])}{f' and {len(free) - 10} more' if len(free) > 10 else ''}"


def share_warnings(config: Config) -> Iterator[str]:
    """Yield a sentence for each vessel whose readings have no time of their own."""
    if config.share is None:
        return
    for watched in config.vessels:
        if any(c.source and c.time_pointer is None and c.senml_name is None for c in watched.channels):
            yield (
                f"{watched.vessel.name}: its messages carry no time (time_pointer): those that wait at the broker while "
                "it changes hands are stamped when they are fetched"
            )

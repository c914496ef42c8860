"""`ullage demo`: two simulated vessels for a minute, no sensor needed."""

import argparse
import contextlib
import sys
import tempfile
from pathlib import Path

from ullage.adapters.errors import ConfigError
from ullage.daemon.demo import DAYS, OPENING, Demo, DemoSettings
from ullage.daemon.logs import set_up_logging
from ullage.daemon.screen import Screen


def handle(options: argparse.Namespace) -> int:
    """Play the demo; Ctrl-C ends it with the summary so far."""
    speed = _speed(options)
    set_up_logging("error", {})
    screen = Screen()
    with contextlib.ExitStack() as stack:
        if options.db is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ullage-demo-")))
            path = folder / "demo.db"
        else:
            path = Path(options.db).absolute()
            if path.exists():
                raise ConfigError("--db", f"{path} is there already", "name a new file")
        screen.write(f"{OPENING}\n")
        demo = Demo(DemoSettings(speed=speed, seed=options.seed, url=f"sqlite:///{path}"), screen)
        stack.callback(demo.close)
        address = _page(demo, options, stack)
        ended = False
        with contextlib.suppress(KeyboardInterrupt):  # from the first line on that invites to leave
            if address:
                screen.write(f"Look at it in a browser, while it runs: {address}\n")
            demo.play()
            ended = True
        screen.write("\n" + "".join(f"{line}\n" for line in demo.summary()))
        if options.db is not None:
            screen.write(f"The database is kept in {path}.\n")
        screen.flush()
        if ended and address and sys.stdin.isatty() and sys.stdout.isatty():
            _linger(screen, address)
    return 0


def _page(demo: Demo, options: argparse.Namespace, stack: contextlib.ExitStack) -> str:
    """Serve the page, unless nobody wants it; return where."""
    if options.no_page:
        return ""
    if options.port is not None and not 0 <= options.port <= 65535:
        raise ConfigError("--port", f"{options.port} must lie between 0 and 65535")
    from ullage.daemon.demo_page import serve

    server = serve(demo, options.port)
    stack.callback(server.stop)
    return server.address


def _linger(screen: Screen, address: str) -> None:
    """Leave the page open for whoever is still looking."""
    screen.write(f"The page stays at {address} until you press Enter.\n")
    screen.flush()
    with contextlib.suppress(KeyboardInterrupt, EOFError):
        input()


def _speed(options: argparse.Namespace) -> float:
    if options.speed is not None:
        speed = float(options.speed)
        if not 0 <= speed <= 10_000_000:
            raise ConfigError("--speed", f"{speed:g} must lie between 0 (as fast as it goes) and 10000000")
        return speed
    minutes = float(options.minutes)
    if not 0 < minutes <= 10_000:
        raise ConfigError("--minutes", f"{minutes:g} must be above 0 and at most 10000")
    return DAYS * 86_400 / (minutes * 60)

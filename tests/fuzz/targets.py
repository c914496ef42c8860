"""All targets by name."""

from tests.fuzz import config_laws, log_laws, payload_laws, text_laws, watch_laws
from tests.fuzz.target import Target

TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        *payload_laws.TARGETS,
        *text_laws.TARGETS,
        *log_laws.TARGETS,
        *config_laws.TARGETS,
        *watch_laws.TARGETS,
    )
}

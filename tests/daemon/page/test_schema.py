"""The interface for programs against its own description: requests drawn at random by schemathesis, a short run.

`ULLAGE_FUZZ=2000` draws that many for each operation instead.
"""

import os
import socket
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable

from tests.daemon.page.kit import Kit

EXAMPLES = int(os.environ.get("ULLAGE_FUZZ", "15"))
pytestmark = [
    pytest.mark.timeout(900),
    # its own way of putting examples together, none of this project's doing
    pytest.mark.filterwarnings("ignore::hypothesis.errors.NonInteractiveExampleWarning"),
]


@pytest.fixture(name="served", scope="module")
def _served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kit]:
    kit = Kit(tmp_path_factory.mktemp("schema"))
    kit.live_a_day(0.2)
    kit.over_pressure()
    kit.start()
    yield kit
    kit.close()


def description(kit: Kit) -> Any:
    """Return the description as it is served."""
    return kit.ask("/api/v1/openapi.json").json()


def operations(kit: Kit) -> Iterator[tuple[str, str]]:
    """Yield method and path of everything that is described."""
    for path, methods in description(kit)["paths"].items():
        for method in methods:
            yield method.upper(), path


def test_everything_is_described(served: Kit) -> None:
    """Every route for programs stands in the description with its method, and nothing else does."""
    inner: Any = served.server.page.guard.app
    routes = {
        (method, route.path)
        for route in inner.routes
        for method in route.methods - {"HEAD"}
        if route.path.startswith("/api/") or route.path == "/metrics"
    }
    assert routes == set(operations(served))


@pytest.mark.parametrize("mode", list(schemathesis.GenerationMode), ids=lambda mode: mode.value)
def test_requests_drawn_at_random(served: Kit, mode: schemathesis.GenerationMode) -> None:
    """Whatever is sent, the answer is one that the description knows, and never a fault of the server."""
    schema = schemathesis.openapi.from_dict(description(served))
    address = f"http://127.0.0.1:{served.port}"
    tried = 0
    for result in schema.get_all_operations():
        operation: Any = result.ok()  # type: ignore[union-attr]

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            derandomize=EXAMPLES < 100,
        )
        def check(case: Any) -> None:
            nonlocal tried
            tried += 1
            answer = case.call(base_url=address)
            assert answer.status_code < 500, (answer.status_code, answer.text[:300])
            case.validate_response(answer)

        with suppress(Unsatisfiable):  # nothing can be wrong where nothing is asked for
            given(case=operation.as_strategy(generation_mode=mode))(check)()
    assert tried >= 5 * EXAMPLES
    assert served.server.alive()


def test_raw_nonsense(served: Kit) -> None:
    """Bytes that are no request at all leave the server standing."""
    for data in (b"\x00" * 300, b"GET / HTTP/9.9\r\n\r\n", b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\nHost: x\r\n\r\n",
                 b"POST /api/v1/vessels/north/journal HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n"):  # fmt: skip
        with socket.create_connection(("127.0.0.1", served.port), timeout=30) as connection:
            connection.sendall(data)
            connection.shutdown(socket.SHUT_WR)
            answer = b""
            while piece := connection.recv(4096):
                answer += piece
        assert not answer or b" 4" in answer[:16] or b" 5" not in answer[:16]
    assert served.ask("/api/v1/vessels").status == 200


def test_a_name_of_any_kind(served: Kit, tmp_path: Path) -> None:
    """Names that are none are not found, whatever they look like."""
    for name in ("..", "%00", "%ff", "a%2Fb", "%F0%9F%8D%BA", "x" * 3000, "north%0d%0aSet-Cookie:x"):
        answer = served.ask(f"/api/v1/vessels/{name}/readings")
        assert answer.status == 404, name
        assert "set-cookie" not in answer.headers

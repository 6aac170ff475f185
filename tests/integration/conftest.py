"""The PostgreSQL server of these tests: one a session (and a worker), started when first needed."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.integration.postgresql import NoServer, Server, required, running_server


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A private server. Where there is none: skipped, but a failure in continuous integration."""
    try:
        with running_server() as running:
            yield running
    except NoServer as problem:
        if required():
            pytest.fail(str(problem), pytrace=False)
        pytest.skip(str(problem))

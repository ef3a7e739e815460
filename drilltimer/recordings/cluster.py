"""The work of a folder on a Dask cluster that exists already, through the standard executor's interface."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from drilltimer.errors import ClusterError

CONNECT_S = 10


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """The cluster behind a scheduler's address, such as `tcp://10.0.0.7:8786`.

    Its workers need this program, in the same version, and must see the recordings and sheets under the same names.

    Raises
    ------
    ClusterError
        The extra is not installed, or nobody answers there.
    """
    try:
        from distributed import Client
    except ImportError as fault:
        raise ClusterError(
            "--scheduler needs the extra 'cluster', and that is not installed",
            fix="python -m pip install 'drilltimer[cluster]'",
        ) from fault
    try:
        client = Client(address, timeout=CONNECT_S)
    except (OSError, ValueError, TypeError) as fault:  # TimeoutError is an OSError
        raise ClusterError(
            f"no Dask scheduler answers at {address!r}: {fault}",
            why="The address may be mistyped, the scheduler down, or a firewall between.",
            fix="It looks like tcp://host:8786; `dask scheduler` prints it when it starts.",
        ) from fault
    with client:
        yield client.get_executor(retries=2)

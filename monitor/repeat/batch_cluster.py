"""Spreads tasks over a Dask cluster whose workers see the same folders."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import TYPE_CHECKING

from monitor.errors import EnvironmentFault
from monitor.repeat.batch_task import FAILED, Outcome, Task, analyse_again
from monitor.version import code_version

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["run_on_cluster"]

WAIT_S = 15


def run_on_cluster(tasks: Sequence[Task], address: str) -> Generator[Outcome]:
    """Work through the tasks on a cluster; a worker that dies fails only what it had in hand.

    Raises
    ------
    EnvironmentFault
        When the extra is not installed, there is no scheduler or worker, or a worker runs another version.
    """
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise EnvironmentFault("--scheduler: Dask is not installed; pip install 'plumeline[cluster]'") from None
    try:
        client = Client(address, timeout=WAIT_S)
    except (OSError, ValueError, TimeoutError) as fault:
        raise EnvironmentFault(f"--scheduler {address}: no Dask scheduler answers ({fault})") from None
    with client:
        _check(client, address)
        futures = client.map(analyse_again, tasks, pure=False, retries=0, key="plumeline")
        names = {future.key: task.name for future, task in zip(futures, tasks, strict=True)}
        try:
            for future in as_completed(futures):
                lost = future.exception()
                yield future.result() if lost is None else Outcome(
                    names[future.key], FAILED,
                    fault=" ".join(f"lost on the cluster ({type(lost).__name__}: {lost})".split()))
        finally:
            client.cancel(futures)


def _check(client: Client, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=WAIT_S)
    except TimeoutError:
        raise EnvironmentFault(f"--scheduler {address}: it has no workers; start `dask worker {address}`") from None
    here = code_version()
    other = {worker: version for worker, version in client.run(code_version).items() if version != here}
    if other:
        worker, version = next(iter(other.items()))
        raise EnvironmentFault(f"--scheduler {address}: worker {worker} runs plumeline {version}, here it is {here}; "
                               f"results "
                               "would not be alike")

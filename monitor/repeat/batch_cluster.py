"""Spreads tasks over a Dask cluster whose workers see the same folders."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from monitor.errors import EnvironmentFault
from monitor.repeat.batch import FAILED, Outcome, Task, analyse_again
from monitor.version import code_version

__all__ = ["run_on_cluster"]

WAIT_S = 15


def run_on_cluster(tasks: Sequence[Task], address: str) -> Iterator[Outcome]:
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
                fault = future.exception()
                yield future.result() if fault is None else Outcome(
                    names[future.key], FAILED,
                    fault=" ".join(f"lost on the cluster ({type(fault).__name__}: {fault})".split()))
        finally:
            client.cancel(futures)


def _check(client: object, address: str) -> None:
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

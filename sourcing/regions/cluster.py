"""Many hands: worker processes on this machine, or a running Dask cluster. Needs the extra `sourcing[cluster]`.

Every piece of work is a pure function of what it is given and of what lies in the working folder, so a worker that is
lost costs its piece of work only: Dask gives it to another. All processes must see the season folder at the same path.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError
from dataclasses import dataclass
from typing import Any, cast

from sourcing.errors import UsageError
from sourcing.regions.state import Hands

LOST_WORKERS = 30
"""A piece of work is given up when so many workers were lost over it."""
RETRIES = 3
"""A piece of work that failed on one worker (a full disk) is tried so often again, on others where there are any."""


@dataclass(frozen=True)
class DaskMap:
    """A `map` whose work is done by the workers of a Dask client; answers come in order."""

    client: Any

    def __call__(self, function: Callable[[Any], Any], *items: Iterable[Any]) -> Iterator[Any]:
        """The answers, as they are asked for."""
        futures = self.client.map(function, *(list(i) for i in items), pure=False, retries=RETRIES)
        try:
            for number, future in enumerate(futures):
                yield future.result()
                futures[number] = None
        except CancelledError as exc:
            raise UsageError(
                "the cluster was lost while it worked: start its scheduler and workers again, then run the same "
                "command; finished tiles are kept"
            ) from exc
        finally:
            self.client.cancel([f for f in futures if f is not None])


@contextlib.contextmanager
def hands(workers: int = 1, address: str = "") -> Iterator[Hands]:
    """So many worker processes on this machine, or all workers of the cluster at `address`.

    One worker and no address: this process alone, without Dask. Raises UsageError where the extra is not installed or
    no cluster answers.
    """
    if workers <= 1 and not address:
        yield Hands()
        return
    try:
        import dask
        import distributed

        client_of, local_cluster = cast(Any, distributed.Client), cast(Any, distributed.LocalCluster)
    except ImportError:
        raise UsageError(
            "several workers need the extra 'cluster': pip install 'sourcing[cluster]' (in every worker's environment)"
        ) from None
    settings = {"distributed.scheduler.allowed-failures": LOST_WORKERS, "distributed.comm.timeouts.connect": "20s"}
    with contextlib.ExitStack() as stack:
        stack.enter_context(dask.config.set(settings))
        if address:
            try:
                client = stack.enter_context(client_of(address))
            except (OSError, ValueError) as exc:
                raise UsageError(f"no cluster answers at {address}: {exc}") from exc
        else:
            cluster = local_cluster(
                n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0", memory_limit=0
            )
            client = stack.enter_context(client_of(stack.enter_context(cluster)))
            cluster.adapt(minimum=workers, maximum=workers, interval="1s")  # a worker that dies while it starts too
        count = max(sum(client.nthreads().values()), 1)
        yield Hands(DaskMap(client), count)

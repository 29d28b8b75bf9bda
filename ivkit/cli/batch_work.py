"""Who does the work of a batch: this process, several processes, or the workers of a scheduler.

Sweeps go out in packets and rows come back in order; no more packets are under way than keep
every worker busy, so that little is held however long the table is.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from ivkit.errors import FileError, IvkitError

if TYPE_CHECKING:
    from ivkit.curve.batch import Item, Taking

PACKET_BYTES = 1 << 22
AHEAD = 3  # packets under way for each worker
_WAIT = 10  # seconds for a scheduler to answer

Rows = list[dict[str, Any]]
Packet = tuple["list[Item]", int]


def packets(items: "Iterable[tuple[Item, int]]") -> Iterator[Packet]:
    """Yield items in lists of some hundred sweeps or some megabytes, with their size in bytes."""
    from ivkit.curve.batch import CHUNK

    held, size = [], 0
    for item, own in items:
        held.append(item)
        size += own
        if len(held) >= CHUNK or size >= PACKET_BYTES:
            yield held, size
            held, size = [], 0
    if held:
        yield held, size


@contextmanager
def worked(
    taking: "Taking", workers: int, scheduler: str | None
) -> "Iterator[Callable[[Iterable[Packet]], Iterator[tuple[Rows, int]]]]":
    """Give a function that turns packets to rows, in order.

    Raises
    ------
    click.UsageError
        Dask is not installed, or no scheduler with workers answers.
    FileError
        A worker failed.
    """
    from ivkit.curve.batch import rows_of

    if scheduler is not None:
        with _client(scheduler) as client:
            threads = max(sum(client.nthreads().values()), 1)

            def submit(items: "list[Item]") -> Any:
                return client.submit(rows_of, items, taking, pure=False)

            yield lambda todo: _in_turn(submit, todo, AHEAD * threads, scheduler)
    elif workers > 1:
        from concurrent.futures import ProcessPoolExecutor
        from multiprocessing import get_context

        pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
        try:
            yield lambda todo: _in_turn(
                lambda items: pool.submit(rows_of, items, taking),
                todo,
                AHEAD * workers,
                "--workers",
            )
        finally:
            pool.shutdown(cancel_futures=True)
    else:
        yield lambda todo: ((rows_of(items, taking), size) for items, size in todo)


def _in_turn(
    submit: Callable[["list[Item]"], Any], todo: Iterable[Packet], ahead: int, where: str
) -> Iterator[tuple[Rows, int]]:
    """Yield the rows of packets in order, with ``ahead`` packets under way."""
    waiting: deque[tuple[Any, int]] = deque()
    for items, size in todo:
        waiting.append((submit(items), size))
        if len(waiting) >= ahead:
            yield _result(waiting.popleft(), where)
    while waiting:
        yield _result(waiting.popleft(), where)


def _result(one: tuple[Any, int], where: str) -> tuple[Rows, int]:
    future, size = one
    try:
        return future.result(), size
    except IvkitError:
        raise
    except Exception as error:
        raise FileError(
            f"a worker failed ({type(error).__name__}: {error})".replace("\n", " "),
            where,
            "check that every worker runs, and has the same ivkit installed",
        ) from None


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """Give a client of a Dask scheduler that has workers."""
    try:
        from distributed import Client
    except ImportError:
        raise click.UsageError(
            "--scheduler needs Dask; install it with: pip install 'ivkit[dask]'"
        ) from None
    # What the client logs, tracebacks among it, is said in one line where it matters.
    logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=_WAIT, set_as_default=False)
    except (OSError, ValueError) as error:
        raise click.UsageError(f"--scheduler {address}: no scheduler answers ({error})") from None
    with client:
        try:
            client.wait_for_workers(1, timeout=_WAIT)
        except TimeoutError:
            raise click.UsageError(
                f"--scheduler {address}: it has no workers; start some with: dask worker {address}"
            ) from None
        yield client

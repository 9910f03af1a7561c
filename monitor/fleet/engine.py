"""Who does the work: this process, or Dask on this machine's cores or on a cluster.

Every task is plain data and every result comes back once, however often it had to be tried. A task that fails is a `Failure`,
never the end of the others. Dask moves tasks between its processes as pickles, so whoever can reach a scheduler can run code in
its workers: one of our own is behind certificates made for it alone, one elsewhere is only used over TLS unless told otherwise.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar
from urllib.parse import urlsplit

from monitor.errors import UserError

if TYPE_CHECKING:
    from distributed import Client

T = TypeVar("T")
R = TypeVar("R")

TRIES: Final = 3
"""A task whose worker died is given to another one so often."""
WAITING: Final = 4
"""Tasks that wait at each worker: enough to keep it busy, few enough to keep memory flat."""


@dataclass(frozen=True, slots=True)
class Failure:
    """A task that gave no result, and why."""

    words: str


@dataclass(frozen=True, slots=True)
class Certificates:
    """Files of a TLS connection, PEM: the authority's certificate, our own, and its key."""

    authority: Path
    certificate: Path
    key: Path


@dataclass(frozen=True, slots=True)
class Place:
    """Where the work is done."""

    workers: int = 0
    """Processes on this machine; 0: in this one, one task after another, without Dask."""
    scheduler: str | None = None
    """Address of a Dask scheduler, ``tls://host:8786``; then `workers` says nothing."""
    certificates: Certificates | None = field(default=None)
    plain: bool = False
    """Whether a scheduler elsewhere may be spoken to without TLS."""

    def results(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[T, R | Failure]]:
        """`work` of every task, in the order in which they end.

        Raises:
            UserError: Dask is not installed, or the scheduler cannot be reached.
        """
        if not tasks:
            return
        if self.scheduler is None and self.workers < 1:
            for task in tasks:
                yield task, attempt(work, task)
            return
        with self._client() as client:
            yield from _on_dask(client, work, tasks)

    def whole(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[T, R]]:
        """The same, where one without the others is of no use.

        Raises:
            UserError: one of them failed, or the same as for `results`.
        """
        for task, result in self.results(work, tasks):
            if isinstance(result, Failure):
                raise UserError(result.words)
            yield task, result

    def _client(self) -> "Client":
        try:
            from distributed import Client, LocalCluster
            from distributed.security import Security
        except ImportError:
            raise UserError(
                'this needs Dask: pip install "stopmark[fleet]"; without it, --workers 0 works in this process'
            ) from None
        if self.scheduler is None:
            security = Security.temporary()
            cluster = LocalCluster(
                n_workers=self.workers, threads_per_worker=1, security=security, dashboard_address="127.0.0.1:0",
                worker_dashboard_address="127.0.0.1:0",
                host="127.0.0.1", protocol="tls://", silence_logs=50,
            )  # fmt: skip
            return _OwnCluster(Client(cluster, security=security), cluster)  # type: ignore[return-value]
        check_scheduler(self.scheduler, self.certificates, self.plain)
        found = self.certificates
        security = None if found is None else Security(
            tls_ca_file=str(found.authority), tls_client_cert=str(found.certificate), tls_client_key=str(found.key),
            require_encryption=True,
        )  # fmt: skip
        try:
            return Client(self.scheduler, security=security, timeout="10s")
        except (OSError, TimeoutError, ValueError, TypeError) as error:
            raise UserError(f"--scheduler {self.scheduler}: no answer ({error or type(error).__name__})") from None


class _OwnCluster:
    """A client with the cluster that it was started with: both end together."""

    def __init__(self, client: "Client", cluster: Any) -> None:
        self._client, self._cluster = client, cluster

    def __enter__(self) -> "Client":
        return self._client

    def __exit__(self, *_: object) -> None:
        self._client.close()
        self._cluster.close()


def check_scheduler(address: str, certificates: Certificates | None, plain: bool) -> None:
    """Look at a scheduler's address before anything is sent there.

    Raises:
        UserError: it is none, or work would go there unprotected.
    """
    parts = urlsplit(address)
    if parts.scheme not in ("tcp", "tls") or not parts.hostname:
        raise UserError(f"--scheduler {address}: give tls://HOST:PORT, or tcp://HOST:PORT on this machine")
    if parts.scheme == "tls":
        if certificates is None:
            raise UserError(f"--scheduler {address}: give --tls-ca, --tls-cert and --tls-key, too")
        for path in (certificates.authority, certificates.certificate, certificates.key):
            if not path.is_file():
                raise UserError(f"{path}: no such file")
    elif not plain and not _loopback(parts.hostname):
        raise UserError(
            f"--scheduler {address}: whoever can reach an open scheduler can run code on its workers; use tls://, or"
            " say --no-tls where the network is your own"
        )


def _loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def attempt(work: Callable[[T], R], task: T) -> R | Failure:
    """`work` of `task`; an error that is meant for people as a `Failure`. Any other error is a fault of ours, and says so."""
    try:
        return work(task)
    except UserError as error:
        return Failure(str(error))
    except Exception as error:  # one bad recording must not end the work on all others
        return Failure(f"fault of Stopmark's: {type(error).__name__}: {error}")


def _on_dask(client: "Client", work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[tuple[T, R | Failure]]:
    from distributed import as_completed

    waiting = iter(enumerate(tasks))
    under_way: dict[object, T] = {}
    done = as_completed()

    def submit_next() -> None:
        for number, task in waiting:
            # A key of its own: the same task twice is two results, the same task retried is one.
            future = client.submit(attempt, work, task, key=f"stopmark-{id(under_way):x}-{number}", retries=TRIES)
            under_way[future.key] = task
            done.add(future)
            return

    for _ in range(min(len(tasks), WAITING * max(1, len(client.scheduler_info(n_workers=-1)["workers"])))):
        submit_next()
    try:
        for future in done:
            task = under_way.pop(future.key)
            error = future.exception()
            yield task, future.result() if error is None else Failure(f"the worker died {TRIES} times at it ({error})")
            future.release()
            submit_next()
    finally:
        if under_way:  # ended early: nobody waits for these any more
            client.cancel(list(done.futures), force=True)

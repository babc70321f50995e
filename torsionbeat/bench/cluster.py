"""Many recordings on a Dask cluster, for archives too large for one machine.

Input: paths that are the same for every worker, and the scheduler's address. Output: for each path its analysis or its
error. If a worker dies, another one analyses its recordings again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from torsionbeat.bench.batch import Outcome, outcome_of
from torsionbeat.errors import DeviceError, InputError

if TYPE_CHECKING:
    from torsionbeat.reading.analysis import Listening
    from torsionbeat.reading.figures import Clock

__all__ = ["analyse_on_cluster"]

PATIENCE_S = 15
"""Time limit (s) for the scheduler, and then its first worker, to answer."""


def analyse_on_cluster(
    address: str,
    paths: Sequence[str],
    clock: Clock,
    listening: Listening,
    progress: Callable[[float], None] | None = None,
) -> list[Outcome]:
    """Analyse recordings on the workers of a Dask cluster.

    Parameters
    ----------
    address : str
        Address of the scheduler, for example ``tcp://192.0.2.7:8786``.
    paths, clock, listening, progress
        As for :func:`torsionbeat.bench.batch.analyse_many`.

    Returns
    -------
    list of Outcome
        In the order of ``paths``.

    Raises
    ------
    InputError
        dask.distributed is not installed.
    DeviceError
        The cluster does not answer, or has no worker.
    """
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise InputError(
            '--cluster needs dask.distributed, which is not installed: pip install "torsionbeat[cluster]"'
        ) from None
    try:
        client = Client(address, timeout=PATIENCE_S)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise DeviceError(
            f"no cluster answers at {address} ({type(error).__name__}); give the address that dask scheduler printed, "
            "such as tcp://192.0.2.7:8786"
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError:
            raise DeviceError(
                f"the cluster at {address} has no worker; start one with: dask worker {address}"
            ) from None
        places = {
            client.submit(outcome_of, str(Path(path).absolute()), clock, listening, pure=False): place
            for place, path in enumerate(paths)
        }
        outcomes: dict[int, Outcome] = {}
        for future in as_completed(places):  # type: ignore[no-untyped-call]
            place = places[future]
            outcomes[place] = _outcome(future, paths[place])
            if progress is not None:
                progress(len(outcomes) / len(paths))
        return [outcomes[place] for place in range(len(paths))]


def _outcome(future: object, path: str) -> Outcome:
    try:
        return future.result()  # type: ignore[attr-defined, no-any-return]
    except Exception as error:
        said = " ".join(str(error).split())
        lost = DeviceError(
            f"{path} was not read on the cluster: {type(error).__name__}: {said}; see that every worker has this "
            "version of torsionbeat, or read it here"
        )
        return Outcome(path, None, lost)

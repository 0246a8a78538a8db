"""Long work beside the server: asked for, waited for without holding a page, done by a process of its own.

A thread would do for waiting, but not for working: an analysis of some seconds holds the interpreter, and every page of every
visitor with it. The process ends with the server, also where the server is killed.
"""

from __future__ import annotations

import atexit
import pickle
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue
from typing import IO, Any

from analytics.errors import UserError
from dashboard.seam.handed import Anew, Taker, parts

PIECE_BYTES = 1 << 20  # of an answer read at once: each piece is a wait for the interpreter
ROOT = Path(__file__).resolve().parents[2]


@dataclass(eq=False)
class Job:
    """Something asked for. says: what is being done, for a person. about_s: how long it takes, as far as is known.

    first: the task and arguments to try before, where the process may have kept the rest. anew: the answer came whole.
    """

    task: str
    given: tuple[Any, ...]
    says: str
    about_s: float
    first: tuple[str, tuple[Any, ...]] | None = None
    anew: bool = False
    future: Future[Any] = field(default_factory=Future)
    begun: float | None = None
    told: tuple[str, float] | None = None
    took_s: float | None = None

    @property
    def done(self) -> bool:
        """Whether there is an answer, or a failure."""
        return self.future.done()

    @property
    def gone_s(self) -> float:
        """Seconds of work so far; 0 while others are before it."""
        return 0.0 if self.begun is None else time.monotonic() - self.begun

    @property
    def share(self) -> float:
        """The share done, 0 to 1: as the work tells, else by the time it takes."""
        return self.told[1] if self.told is not None else min(self.gone_s / self.about_s, 0.95)


class StillWorkingError(Exception):
    """A page cannot go on before this is done; whoever runs pages shows how far it is, and then the page."""

    def __init__(self, job: Job) -> None:
        super().__init__(job.says)
        self.job = job


class Kept:
    """Results by key, each worked out once for all visitors. most: so many are kept."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._gate = threading.Lock()
        self._jobs: dict[Hashable, Job] = {}  # oldest first

    def have(self, key: Hashable, ask: Callable[[], Job]) -> Any:
        """The result for the key; a failure is told once, and who loads the page again has it tried again.

        Raises:
            StillWorkingError: it is not there yet; it has been asked for.
        """
        with self._gate:
            if key not in self._jobs:
                for old in list(self._jobs)[: max(len(self._jobs) - self._most + 1, 0)]:
                    self._jobs.pop(old).future.cancel()
                self._jobs[key] = ask()
            return self._result(key)

    def known(self, key: Hashable) -> Any:
        """The same where it was asked for already, else None."""
        with self._gate:
            return self._result(key) if key in self._jobs else None

    def _result(self, key: Hashable) -> Any:
        job = self._jobs[key]
        if not job.done:
            raise StillWorkingError(job)
        if job.future.cancelled() or job.future.exception() is not None:
            del self._jobs[key]
        return job.future.result()


class Worker:
    """One process that works off what it is asked, in order; started when first needed, and anew where it ended.

    nice: by how much it steps back behind the pages.
    """

    def __init__(self, nice: int) -> None:
        self._nice = nice
        self._gate = threading.Lock()
        self._asked: SimpleQueue[Job] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._known: tuple[Any, ...] = ()  # what the process speaks of by number

    def ask(
        self, task: str, *given: Any, says: str, about_s: float, first: tuple[str, tuple[Any, ...]] | None = None
    ) -> Job:
        """Have a task of ``apart.TASKS`` done with these arguments; ``first`` is tried before (``Job``)."""
        job = Job(task, given, says, max(about_s, 0.1), first)
        with self._gate:
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, daemon=True, name="beside-the-pages")
                self._thread.start()
        self._asked.put(job)
        return job

    def end(self) -> None:
        """End the process; whoever waits for it is told that it ended."""
        process = self._process
        if process is not None:
            process.kill()
            process.wait()

    def _work(self) -> None:
        while True:
            job = self._asked.get()
            if not job.future.set_running_or_notify_cancel():
                continue
            job.begun = time.monotonic()
            try:
                result = self._have(job)
            except BaseException as error:  # noqa: BLE001 - it belongs to whoever asked
                job.future.set_exception(error)
            else:
                job.took_s = job.gone_s
                job.future.set_result(result)
            job.given, job.first = (), None  # the records of an old revision are not kept for it

    def _have(self, job: Job) -> Any:
        try:
            if self._process is None or self._process.poll() is not None:
                self._process, self._known = _started(self._nice), ()
            there, back = _pipes(self._process)
            for task, given in filter(None, (job.first, (job.task, job.given))):
                pickle.dump((task, given), there, protocol=5)
                there.flush()
                while (said := Taker(back, self._known).load())[0] == "told":
                    job.told = said[1]
                if said[0] != "lacking":
                    break
        except (EOFError, BrokenPipeError, pickle.UnpicklingError) as end:
            self._process = None
            raise UserError(
                f"{job.says}: the process that worked on it ended",
                do="Load the page again; if it ends again, this machine may have too little memory for these records.",
            ) from end
        kind, value = said
        if kind == "failed":
            raise value
        if isinstance(value, Anew):
            job.anew, value = True, value.answer
            self._known = parts(value)
        return value


def _started(nice: int) -> subprocess.Popen[bytes]:
    made: subprocess.Popen[bytes] = subprocess.Popen(  # noqa: S603 - this very interpreter and a module of ours
        [sys.executable, "-m", "dashboard.seam.apart", str(nice)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT,
        pipesize=PIECE_BYTES,
    )
    atexit.register(made.kill)
    return made


def _pipes(process: subprocess.Popen[bytes]) -> tuple[IO[bytes], IO[bytes]]:
    if process.stdin is None or process.stdout is None:
        raise EOFError  # never: both were asked for
    return process.stdin, process.stdout


present = Worker(nice=10)  # the answer that the pages show
beside = Worker(nice=15)  # what somebody waits for on one page
later = Worker(nice=10)  # what takes longest, and what a page stands without

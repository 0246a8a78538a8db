"""The dashboard's command with a watch on every run of a page: ``python -m tests.bench.watched RUNS [steadycount's arguments]``.

One line of JSON a run goes to the file RUNS: page, ``part`` (whether only a part of the page ran), ``wall_s`` on the clock,
``cpu_s`` of its own thread, ``queue_s`` in which that thread had work and no core (what others do on the machine), ``where`` it
stood while it took long; and one line each time Python collected garbage (``gc_s``). What is left of the wall is waiting: for
the interpreter, a lock, the store. Every second a line says what each lasting thread and each process beside it has computed so
far (``spent_s``, by name).
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import sys
import threading
import time
import traceback
from collections import Counter
from pathlib import Path
from typing import Any

LONG_S = 0.2  # from which on a run says where it stood
EVERY_S = 0.02  # between two looks
SPENT_EVERY_S = 1.0
OURS = ("/dashboard/", "/analytics/")


class Watch:
    """Writes down every run, and looks at what runs."""

    def __init__(self, path: str) -> None:
        self._gate = threading.Lock()
        self._file = Path(path).open("w", buffering=1)  # noqa: SIM115 - as long as the server
        self._running: dict[int, Counter[str]] = {}
        self._collecting: dict[int, float] = {}

    def write(self, **line: Any) -> None:
        """One line."""
        with self._gate:
            self._file.write(json.dumps(line) + "\n")

    def collected(self, phase: str, about: dict[str, int]) -> None:
        """Told by Python before and after it collects garbage."""
        here = threading.get_ident()
        if phase == "start":
            self._collecting[here] = time.perf_counter()
        elif (begun := self._collecting.pop(here, None)) is not None and time.perf_counter() - begun > 0.01:
            took = time.perf_counter() - begun
            for looks in list(self._running.values()):
                looks[f"(garbage, generation {about['generation']})"] += round(took / EVERY_S)
            self._file.write(json.dumps({"gc_s": round(took, 3), "generation": about["generation"]}) + "\n")

    def look(self) -> None:
        """Note again and again where each running page stands."""
        while True:
            time.sleep(EVERY_S)
            frames = sys._current_frames()
            for ident, looks in list(self._running.items()):
                if (frame := frames.get(ident)) is not None:
                    looks[_stand(frame)] += 1

    def spent(self) -> None:
        """Note again and again what everybody has computed so far."""
        while True:
            self.write(spent_s=_spent_s(), at=round(time.perf_counter(), 3))
            time.sleep(SPENT_EVERY_S)

    def around(self, run: Any) -> Any:
        """The function that runs a page, watched."""

        def watched(runner: Any, data: Any) -> None:
            ident, looks = threading.get_ident(), Counter[str]()
            self._running[ident] = looks
            begun, cpu, queued = time.perf_counter(), time.thread_time(), _queued_s()
            try:
                run(runner, data)
            finally:
                wall, cpu = time.perf_counter() - begun, time.thread_time() - cpu
                queued = _queued_s() - queued
                del self._running[ident]
                pages = runner._pages_manager.get_pages()
                name = pages.get(runner._pages_manager.current_page_script_hash or "", {}).get("url_pathname", "") or "fleet"
                self.write(
                    page=name, part=bool(data.fragment_id_queue), wall_s=round(wall, 4), cpu_s=round(cpu, 4),
                    queue_s=round(queued, 4), at=round(begun, 3),
                    **({"where": looks.most_common(6)} if wall > LONG_S else {}),
                )  # fmt: skip

        return watched


def _queued_s() -> float:
    """How long this thread could have computed and had no core, s, since it began; 0 where the system does not say."""
    try:
        return int(Path("/proc/thread-self/schedstat").read_text().split()[1]) / 1e9
    except (OSError, IndexError, ValueError):
        return 0.0


def _spent_s() -> dict[str, float]:
    """Processor time so far, s: of this process, of its lasting threads, and of each process that it started; nothing where the system does not say."""
    out: dict[str, float] = {"server": time.process_time()}
    for one in threading.enumerate():
        if one is threading.main_thread() or one.name in ("beside-the-pages", "imports"):
            _add(out, f"server: {one.name}", Path(f"/proc/self/task/{one.native_id}/stat"))
    for task in Path("/proc/self/task").glob("*/children"):
        with contextlib.suppress(OSError):
            for child in task.read_text().split():
                said = Path(f"/proc/{child}/cmdline").read_bytes().decode().split("\0")
                _add(out, f"beside: {' '.join(said[2:4])} (nice {os.getpriority(os.PRIO_PROCESS, int(child))})", Path(f"/proc/{child}/stat"))
    return {name: round(spent, 3) for name, spent in out.items()}


def _add(to: dict[str, float], name: str, stat: Path) -> None:
    try:
        fields = stat.read_text().rsplit(")", 1)[1].split()
    except OSError:  # it has ended
        return
    to[name] = to.get(name, 0.0) + (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _stand(frame: Any) -> str:
    """The two innermost lines of ours, and the innermost of all."""
    stack = traceback.extract_stack(frame)
    ours = [f"{one.filename.rsplit('/', 1)[-1]}:{one.name}" for one in stack if any(part in one.filename for part in OURS)]
    last = stack[-1]
    return " > ".join([*ours[-3:], f"[{last.filename.rsplit('/', 1)[-1]}:{last.name}]"])


def main() -> None:
    """Watch, and serve."""
    from streamlit.runtime.scriptrunner.script_runner import ScriptRunner

    from dashboard.commands.app import main as steadycount

    watch = Watch(sys.argv.pop(1))
    ScriptRunner._run_script = watch.around(ScriptRunner._run_script)  # type: ignore[method-assign]
    gc.callbacks.append(watch.collected)
    threading.Thread(target=watch.look, daemon=True).start()
    threading.Thread(target=watch.spent, daemon=True).start()
    steadycount()


if __name__ == "__main__":
    main()

"""A session that is led from its view, on a thread of its own, with runs that are written instead of made."""

from __future__ import annotations

import argparse
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from quietfloor.monitor.commands.session_window import Lead
from quietfloor.monitor.display.run_view import WindowLink
from quietfloor.monitor.display.session_sight import Coming, SessionSight
from quietfloor.monitor.display.session_talk import Wish
from quietfloor.monitor.session.session import Session
from tests.session.searches import answer, write_search
from tests.slow import patience

CALIBRATION = Path(__file__).parents[2] / "bench" / "virtual-earphone.toml"


def words(**how: Any) -> argparse.Namespace:
    said = {
        "minutes": None, "masking": False, "json": False, "auto": False, "yes": False, "condition": None, "level": None,
        "repeat": None, "growth": False, "muted": False, "single": False, "no_setup": True, "acknowledge": True,
    }  # fmt: skip
    return argparse.Namespace(**(said | how))


class Desk:
    """The command on a thread of its own, with a user at the other end of the link. Runs find a response from 30 dB on."""

    def __init__(
        self, session: Session, write: Callable[..., int], args: argparse.Namespace, link: WindowLink | None = None
    ) -> None:
        self.session, self.link = session, link or WindowLink()
        self.plans: list[Any] = []
        self._write = write
        self.fails: Exception | None = None
        self.lead = Lead(session, args, self.link)
        self._thread = threading.Thread(target=self.lead.until_closed, daemon=True)

    def carry_through(self, plan: Any, folder: Path, *_: object) -> dict[str, Any]:
        if self.fails is not None:
            raise self.fails
        self.plans.append(plan)
        sound = plan.sound
        if plan.search is not None:
            found = {self.session.plan.conditions[0]: answer(23.0, found_db=30.0)}
            number = write_search(folder, found)
        else:
            masking = {"noise": sound.masking, "level_db_em": sound.masking_level_db_em, "transducer": "insert"}
            number = self._write(
                folder, f"{sound.level_db_nhl:g}{'+' if sound.level_db_nhl >= 30 and not sound.muted else '-'}", ear=sound.ear,
                kind=sound.stimulus, frequency_hz=sound.frequency_hz, muted=sound.muted,
                masking=None if sound.masking == "none" else masking,
            )  # fmt: skip
        return {"fault": None, "stopped_by": "response", "stream": {"uv_per_unit": 1.0}, "folder": f"run-{number:03d}"}

    def __enter__(self) -> Desk:
        self._thread.start()
        self._until(lambda: self.link.talk.idle)
        return self

    def __exit__(self, *_: object) -> None:
        self.link.leave()
        self._thread.join(patience(10))
        assert not self._thread.is_alive()

    def _until(self, true: Callable[[], object]) -> None:
        end_s = time.monotonic() + patience(20)
        while not true():
            assert time.monotonic() < end_s, "it never happened"
            time.sleep(0.002)

    @property
    def sight(self) -> SessionSight:
        assert self.link.talk.sight is not None
        return self.link.talk.sight

    @property
    def coming(self) -> Coming:
        assert self.sight.coming is not None
        return self.sight.coming

    def wish(self, what: Any, **how: Any) -> None:
        """Wish, and wait until the command waits for the next one."""
        self._until(lambda: self.link.talk.idle)
        assert self.link.talk.wish(Wish(what, **how))
        self._until(lambda: self.link.talk.idle)

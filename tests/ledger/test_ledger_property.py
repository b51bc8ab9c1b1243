import json
import shutil
import tempfile
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from ledger_samples import ADJUSTMENT, HEAD_TRIAL, MODEL, a_note

from fluewright.errors import LedgerError
from fluewright.ledger import Correction, Cut, Trial, back_up, export_ledger, open_ledger, verify
from fluewright.ledger.records import PieceState

SIZES = ("hole 1 diameter_mm", "hole 2 diameter_mm", "block_depth_mm")
sizes = st.dictionaries(st.sampled_from(SIZES), st.integers(0, 900).map(lambda n: n / 100), max_size=3)
picks = st.integers(0, 10**6)


def shop(blank: Path) -> type[RuleBasedStateMachine]:
    class Shop(RuleBasedStateMachine):
        """Anything that a shop may do, in any order; what it was told is kept aside and compared."""

        def __init__(self) -> None:
            super().__init__()
            self.folder = Path(tempfile.mkdtemp())
            self.path = Path(shutil.copyfile(blank, self.folder / "shop.ledger"))
            self.ledger = open_ledger(self.path)
            self.texts: list[str] = []
            self.present: dict[str, dict[str, float]] = {}
            self.events = 0

        def teardown(self) -> None:
            report = verify(self.path, must_hold=self.ledger.newest_event())
            assert report.findings == ()
            assert (report.events, report.instruments) == (self.events, len(self.present))
            exported = export_ledger(self.path, self.folder / "export")
            assert exported.rows["events"] == self.events
            assert exported.rows["models"] == len(self.texts)
            lines = (self.folder / "export" / "events.jsonl").read_text("utf-8").splitlines()
            assert [json.loads(line)["id"] for line in lines] == list(range(1, self.events + 1))
            assert back_up(self.path, self.folder / "backup").events == self.events
            assert verify(self.folder / "backup").clean
            self.ledger.close()
            shutil.rmtree(self.folder)

        def piece(self, pick: int) -> str:
            return sorted(self.present)[pick % len(self.present)]

        @rule(text=st.sampled_from([MODEL, MODEL + "# a\n", MODEL + "# b\n"]))
        def add_model(self, text: str) -> None:
            version = self.ledger.add_model("d5-cylinder", text)
            if not self.texts or self.texts[-1] != text:
                self.texts.append(text)
                self.events += 1
            assert (version.version, version.toml_text) == (len(self.texts), text)

        @precondition(lambda self: self.texts)
        @rule(as_built=sizes)
        def add_instrument(self, as_built: dict[str, float]) -> None:
            serial = self.ledger.next_serial("D5")
            assert serial not in self.present
            self.ledger.add_instrument(serial, "d5-cylinder", None, as_built=as_built)
            self.present[serial] = as_built
            self.events += 1

        @precondition(lambda self: self.present)
        @rule(pick=picks, as_built=sizes)
        def trial(self, pick: int, as_built: dict[str, float]) -> None:
            serial = self.piece(pick)
            self.ledger.log_trial(
                serial,
                temperature_c=20,
                relative_humidity=0.5,
                recording_sha256="0" * 64,
                recording_name="a.wav",
                analysis_version="1",
                notes=[a_note()] * (pick % 3),
                as_built=as_built,
            )
            self.present[serial] = self.present[serial] | as_built
            self.events += 1

        @precondition(lambda self: self.present)
        @rule(pick=picks, feature=st.sampled_from(SIZES), step=st.integers(1, 50), whole=st.booleans())
        def cut(self, pick: int, feature: str, step: int, whole: bool) -> None:
            serial = self.piece(pick)
            begun = self.present[serial].get(feature, 0.0)
            after = self.present[serial] | {feature: begun + step / 100}
            said = {
                "tool": "file",
                "reason": "flat",
                "forecast": {},
                "as_built_after": after if whole else {},
            }
            with pytest.raises(LedgerError):
                self.ledger.log_cut(serial, feature=feature, before_mm=begun + 0.02, after_mm=begun + 9, **said)
            try:
                self.ledger.log_cut(serial, feature=feature, before_mm=begun, after_mm=after[feature], **said)
            except LedgerError as error:
                if "nothing is cut" not in str(error):
                    raise
                assert self.ledger.instrument(serial).state.final
                return
            self.present[serial] = after
            self.events += 1

        @precondition(lambda self: self.present)
        @rule(pick=picks, as_built=sizes, good=st.booleans())
        def head_trial(self, pick: int, as_built: dict[str, float], good: bool) -> None:
            serial = self.piece(pick)
            self.ledger.log_head_trial(serial, **(HEAD_TRIAL | {"as_built": as_built, "good": good}))
            self.present[serial] = self.present[serial] | as_built
            self.events += 1

        @precondition(lambda self: self.present)
        @rule(pick=picks, as_built=sizes, steps=st.integers(1, 4))
        def adjustment(self, pick: int, as_built: dict[str, float], steps: int) -> None:
            serial = self.piece(pick)
            said = ADJUSTMENT | {"as_built_after": as_built, "steps": steps}
            if self.ledger.instrument(serial).state.final:
                with pytest.raises(LedgerError, match="nothing is voiced"):
                    self.ledger.log_adjustment(serial, **said)
                return
            self.ledger.log_adjustment(serial, **said)
            self.present[serial] = self.present[serial] | as_built
            self.events += 1

        @precondition(lambda self: self.present)
        @rule(pick=picks, state=st.sampled_from(PieceState))
        def state(self, pick: int, state: PieceState) -> None:
            serial = self.piece(pick)
            present = self.ledger.instrument(serial).state
            if present == state or present.final:
                with pytest.raises(LedgerError):
                    self.ledger.set_state(serial, state, "next")
            else:
                self.ledger.set_state(serial, state, "next")
                assert self.ledger.instrument(serial).state is state
                self.events += 1

        @precondition(lambda self: self.present)
        @rule(pick=picks, which=picks, step=st.integers(1, 300))
        def correct(self, pick: int, which: int, step: int) -> None:
            serial = self.piece(pick)
            wrong = [e for e in self.ledger.history(serial) if isinstance(e, (Cut, Trial))]
            if not wrong:
                return
            event = wrong[which % len(wrong)]
            if isinstance(event, Cut):
                value = round(event.before_mm + step / 100, 2)
                replacement: dict = {"after_mm": value}
            else:
                replacement = {"temperature_c": 20 + step / 100, "as_built": {"block_depth_mm": step / 100}}
            try:
                made = self.ledger.correct(event.event_id, reason="misread", replacement=replacement)
            except LedgerError as error:
                if "already" not in str(error) and "changes a size" not in str(error):
                    raise
                return
            self.events += 1
            seen = self.ledger.event(event.event_id)
            assert made.event_id == seen.corrected_by[-1]
            if isinstance(seen, Cut):
                assert seen.after_mm == seen.as_built_after[seen.feature] == value
            self.present[serial] = dict(made.as_built_after)

        @invariant()
        def the_ledger_knows_the_present_sizes(self) -> None:
            for serial, wanted in self.present.items():
                assert self.ledger.as_built(serial) == wanted
                # The sizes kept with the newest event are those that replaying all of them gives.
                assert self.ledger.instrument(serial).as_built == wanted
                history = self.ledger.history(serial)
                own = [event for event in history if not isinstance(event, Correction)]
                for former, event in pairwise(own):
                    assert event.as_built_before == former.as_built_after
                assert own[-1].as_built_after == wanted

    return Shop


def test_any_sequence_of_work_keeps_the_ledger_whole(blank: Path) -> None:
    run_state_machine_as_test(
        shop(blank),
        settings=settings(
            max_examples=8,
            stateful_step_count=16,
            deadline=None,
            suppress_health_check=[HealthCheck.too_slow],
        ),
    )

"""A user's script as `mypy --strict` sees it; checked by `make types` and never run."""

from pathlib import Path
from typing import assert_type

import fluewright as fw


def design(folder: Path) -> fw.Model:
    start = assert_type(fw.load("d5-cylinder"), fw.Model)
    wanted = fw.change(start, {"length_mm": 266.0}, name="mine", a4_hz=442.0, temperature_c=23.0)
    predicted = assert_type(fw.predict(wanted, tolerances=fw.ShopTolerances(drill_mm=0.01)), fw.PredictedNotes)
    assert_type(predicted.note("D5").cents, float)
    assert_type(predicted.out_of_range, tuple[fw.RangeNote, ...])
    assert_type(predicted.records(), list[dict[str, str | int | float | bool | None]])
    assert_type(fw.sensitivity(wanted).of("length_mm"), dict[str, float])
    fitted = assert_type(fw.fit(wanted, blown=False), fw.FittedModel)
    blown = assert_type(fw.blow(fitted.model), fw.BlownNotes)
    assert_type(blown.octaves(), fw.RecordTable)
    assert_type(blown.note("D5").planned_pa, float)
    sound = assert_type(fw.hear(fitted.model, ["D5", "E5"], slurred=True), fw.PlayedSound)
    assert_type(sound.save(folder / "two.wav"), Path)
    assert_type(fw.draw(fitted.model, "head", theme="dark"), fw.Picture)
    assert_type(fw.sheet(fitted.model, folder / "sheet.pdf"), Path)
    assert_type(fw.save(fitted.model, folder / "mine.toml"), Path)
    return assert_type(fitted.model, fw.Model)


def bench(model: fw.Model, take: Path) -> list[str]:
    heard = assert_type(fw.listen(take, model=model), fw.HeardNotes)
    assert_type(heard.notes[0].heard.frequency_hz, float)
    assert_type(fw.listen(take, tone=True, breath_log=take.with_suffix(".csv")).tones(), fw.RecordTable)
    advice = assert_type(
        fw.advise(model, [take], sizes={"length_mm": 265.0}, policy=fw.CutPolicy(risk=0.01)), fw.PieceAdvice
    )
    assert_type(advice.plan[0].after_mm, float)
    return [cut.key for cut in advice.plan]


def records(path: Path, take: Path) -> str:
    try:
        shop = assert_type(fw.open_ledger(path, create=False), fw.ShopLedger)
    except fw.LedgerError as error:
        return assert_type(error.field, str)
    serial = assert_type(shop.begin_piece("d5-cylinder", prefix="D5"), str)
    assert_type(shop.log_trial(serial, take).logged, tuple[int, ...])
    assert_type(shop.record_cut(serial, "length_mm", after_mm=264.0, tool="file", reason="flat"), fw.RecordedCut)
    assert_type(shop.sit_down(serial), fw.PieceAtBench)
    return assert_type(fw.__version__, str)


def wrong(model: fw.Model) -> None:
    """Each line is refused; without its remark mypy reports it, with a needless one too."""
    fw.predict(model, True)  # type: ignore[call-arg, arg-type]
    fw.fit(model, a4="442")  # type: ignore[call-arg]
    fw.draw(model, "end")  # type: ignore[arg-type]
    fw.open_ledger(3)  # type: ignore[arg-type]
    fw.tune(model)  # type: ignore[attr-defined]

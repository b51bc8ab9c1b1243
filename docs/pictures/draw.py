"""Redraws the pictures used in README and docs, with the program itself; run by `make pictures`."""

from pathlib import Path

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import predict_notes
from fluewright.demo.story import demo_model
from fluewright.instrument.starting import load
from fluewright.pictures import NoteMark, hanging_chart, head_section

HERE = Path(__file__).parent


def marks(model):
    return [
        NoteMark(p.note, p.register, p.cents, p.uncertainty_cents, "predicted", p.governing_hole)
        for p in predict_notes(build_network(model))
    ]


def main():
    for model in (demo_model(), load("c5-eight-hole")):
        name = model.model.name
        (HERE / f"{name}-chart.svg").write_text(hanging_chart(model, marks(model), title=name), encoding="utf-8")
    (HERE / "d5-cylinder-head.svg").write_text(head_section(demo_model()), encoding="utf-8")


if __name__ == "__main__":
    main()

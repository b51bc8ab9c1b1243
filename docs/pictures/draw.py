"""Redraws the chart that README shows, with the program itself; run by `make pictures`."""

from pathlib import Path

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import predict_notes
from fluewright.demo.story import demo_model
from fluewright.pictures import NoteMark, hanging_chart

HERE = Path(__file__).parent


def main():
    model = demo_model()
    name = model.model.name
    marks = [
        NoteMark(p.note, p.register, p.cents, p.uncertainty_cents, "predicted", p.governing_hole)
        for p in predict_notes(build_network(model))
    ]
    (HERE / f"{name}-chart.svg").write_text(hanging_chart(model, marks, title=name), encoding="utf-8")


if __name__ == "__main__":
    main()

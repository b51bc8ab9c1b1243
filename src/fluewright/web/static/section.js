// The head's section: press a place by pointer or keys, see what one usual step there does.
import { cell, cents } from "/static/common.js";

export function chosenPlace(event) {
  if (event.type === "keydown" && event.key !== "Enter" && event.key !== " ") return null;
  const place = event.target.closest("[data-place]");
  if (!place) return null;
  if (event.type === "keydown") event.preventDefault();
  return place.dataset.place;
}

// The places by name as well: nothing has to be guessed or hit.
export function showPlaces(box, told) {
  box.replaceChildren();
  for (const [key, name] of told.places) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.dataset.place = key;
    button.setAttribute("aria-pressed", String(key === told.place));
    box.append(button);
  }
}

export function showEffects(box, told) {
  box.replaceChildren();
  if (!told.place) return;
  const head = document.createElement("h3");
  head.textContent = `${told.place.replace("-", " ")}: what one usual step does`;
  box.append(head);
  if (told.picture) {
    const picture = document.createElement("div");
    picture.className = "picture";
    picture.innerHTML = told.picture;
    box.append(picture);
  }
  for (const one of told.effects) {
    const block = document.createElement("details");
    const title = document.createElement("summary");
    title.textContent = one.title + (one.undo ? ` (undone by: ${one.undo})` : " (cannot be undone)");
    block.append(title);
    if (one.reason) {
      const why = document.createElement("p");
      why.textContent = one.reason;
      block.append(why);
    } else {
      const table = document.createElement("table");
      const row = table.createTHead().insertRow();
      for (const text of ["what", "a step", "rests on"]) { const made = document.createElement("th"); made.scope = "col"; made.textContent = text; row.append(made); }
      const body = table.createTBody();
      for (const e of one.effects) {
        const line = body.insertRow();
        cell(line, e.title);
        cell(line, e.evidence === "practice" ? (e.value > 0 ? "more" : e.value < 0 ? "less" : "as before") : `${cents(e.value, 1)} \u00b1 ${e.sigma.toFixed(1)} ${e.unit}`);
        cell(line, e.evidence === "practice" ? "habit of the trade" : e.evidence);
      }
      block.append(table);
    }
    if (one.caution) {
      const care = document.createElement("p");
      care.className = "help";
      care.textContent = `Caution: ${one.caution}.`;
      block.append(care);
    }
    box.append(block);
  }
}

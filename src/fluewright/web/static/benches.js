import { data, guarded, ready } from "/static/common.js";
// Serials begin with the model's lowest note, until somebody writes something else.
const form = document.getElementById("begin");
const follow = () => { form.prefix.value = form.model.selectedOptions[0]?.dataset.prefix ?? form.prefix.value; };
let own = false;
form.prefix.addEventListener("input", () => { own = true; });
form.model.addEventListener("change", () => { if (!own) follow(); });
follow();
// A second press while the first is under way would begin a second instrument.
let busy = false;
document.getElementById("begin").addEventListener("submit", (event) => {
  event.preventDefault();
  if (busy) return;
  busy = true;
  guarded(async () => {
    try {
      const { serial } = await data("/api/bench", Object.fromEntries(new FormData(event.target)));
      location.href = `/bench/${encodeURIComponent(serial)}`;
    } catch (error) { busy = false; throw error; }
  })();
});
// Shown again from memory by the browser's way back: what was pressed then is over.
window.addEventListener("pageshow", () => { busy = false; });
ready();

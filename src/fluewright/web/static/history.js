import { data, guarded, ready } from "/static/common.js";

const form = document.getElementById("correct");
form?.addEventListener("submit", (event) => {
  event.preventDefault();
  guarded(async () => {
    const given = Object.fromEntries(new FormData(form));
    await data(`/api/ledger/${encodeURIComponent(form.dataset.serial)}/correct`, { event: Number(given.event), after_mm: Number(given.after_mm), reason: given.reason });
    location.reload();
  })();
});
ready();

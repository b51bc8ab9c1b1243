import { data, guarded, ready } from "/static/common.js";
const form = document.getElementById("pair");
if (form) {
  // The link in the picture brings the code along, behind the sign that is not sent over the network.
  const fill = () => { if (location.hash.length > 1) form.elements.code.value = location.hash.replace(/\D/g, ""); };
  fill();
  addEventListener("hashchange", fill);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    guarded(async () => {
      await data("/pair", { code: form.elements.code.value });
      location.href = "/bench";
    })();
  });
}
const shown = document.getElementById("shown");
if (shown) {
  // A code works once and for ten minutes: what stands here has to be the one that works now.
  setInterval(async () => {
    if (document.hidden) return;
    let fresh;
    try { fresh = new DOMParser().parseFromString(await (await fetch("/pair")).text(), "text/html"); } catch { return; }
    const code = fresh.getElementById("code");
    if (!code || code.textContent === document.getElementById("code").textContent) return;
    shown.replaceChildren(...fresh.getElementById("shown").childNodes);
    document.getElementById("says").textContent = "The code before was used or is too old; this is the next one.";
  }, 3000);
}
ready();

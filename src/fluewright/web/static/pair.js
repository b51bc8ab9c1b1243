import { data, guarded, ready, twice } from "/static/common.js";
const form = document.getElementById("pair");
if (form) {
  // The link in the picture brings the code along, behind the sign that is not sent over the network.
  const fill = () => { if (location.hash.length > 1) form.elements.code.value = location.hash.replace(/\D/g, ""); };
  fill();
  addEventListener("hashchange", fill);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    guarded(async () => {
      await data("/pair", { code: form.elements.code.value, name: form.elements.name.value });
      location.href = "/bench";
    })();
  });
}
const shown = document.getElementById("shown");
if (shown) {
  const devices = document.getElementById("devices");
  const says = document.getElementById("says");
  // What stands here has to be what is true now: a code works once and for ten minutes, and devices come and go.
  const look = async () => {
    const fresh = new DOMParser().parseFromString(await (await fetch("/pair")).text(), "text/html");
    const code = fresh.getElementById("code");
    if (!code) return false;
    const other = code.textContent !== document.getElementById("code").textContent;
    if (other) shown.replaceChildren(...fresh.getElementById("shown").childNodes);
    const now = fresh.getElementById("devices");
    // A button that is held by the keyboard is not taken away under it.
    if (!devices.contains(document.activeElement) && now.innerHTML !== devices.innerHTML) devices.replaceChildren(...now.childNodes);
    return other;
  };
  setInterval(async () => {
    if (document.hidden) return;
    try { if (await look()) says.textContent = "The code before was used or is too old; this is the next one."; } catch { /* the next look may succeed */ }
  }, 3000);
  document.getElementById("new-code").addEventListener("click", guarded(async () => {
    await data("/api/devices/code", {});
    await look();
    says.textContent = "This is a new code; the one before is worth nothing.";
  }));
  devices.addEventListener("click", (event) => {
    const pressed = event.target.closest("[data-end]");
    if (!pressed) return;
    guarded(async () => {
      await data("/api/devices/end", { device: Number(pressed.dataset.end) });
      pressed.blur();
      await look();
      says.textContent = "Sent away: that device has to be paired anew.";
    })();
  });
  twice(document.getElementById("end-all"), () => "Really send all away? Press again", () => "", async () => {
    await data("/api/devices/end-all", {});
    await look();
    says.textContent = "All devices were sent away.";
  });
}
ready();

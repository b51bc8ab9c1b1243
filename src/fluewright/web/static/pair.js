import { data, guarded, ready } from "/static/common.js";
const form = document.getElementById("pair");
if (form) {
  if (location.hash.length > 1) form.elements.code.value = decodeURIComponent(location.hash.slice(1));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    guarded(async () => {
      await data("/pair", { code: form.elements.code.value });
      location.href = "/bench";
    })();
  });
}
ready();

import { data, guarded, ready } from "/static/common.js";
document.getElementById("begin").addEventListener("submit", (event) => {
  event.preventDefault();
  guarded(async () => {
    const given = Object.fromEntries(new FormData(event.target));
    const { serial } = await data("/api/bench", given);
    location.href = `/bench/${encodeURIComponent(serial)}`;
  })();
});
ready();

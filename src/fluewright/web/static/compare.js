import { data, quiet, theme, ready } from "/static/common.js";

const page = document.getElementById("compare");

async function draw() {
  const told = await data(`/api/compare?theme=${theme()}`, { old: page.dataset.old, new: page.dataset.new });
  document.getElementById("picture").innerHTML = told.picture;
  document.getElementById("says").textContent = `Off the target: ${told.rms[0]} cents rms before, ${told.rms[1]} after.`;
}
document.addEventListener("theme", quiet(draw));
quiet(draw)();
ready();

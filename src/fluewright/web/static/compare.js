import { data, quiet, theme, ready } from "/static/common.js";

const page = document.getElementById("compare");
const by = document.getElementById("by");

async function draw() {
  const told = await data(`/api/compare?theme=${theme()}`, { old: page.dataset.old, new: page.dataset.new, blown: by.value === "blown" });
  document.getElementById("picture").innerHTML = told.picture;
  document.getElementById("says").textContent = `${told.blown ? "Blown as planned" : "By the resonances alone"}: ${told.rms[0]} cents rms off the target before, ${told.rms[1]} after.${by.value === "blown" && !told.blown ? " One of the heads cannot sound." : ""}`;
}
by.addEventListener("change", quiet(draw));
document.addEventListener("theme", quiet(draw));
quiet(draw)();
ready();

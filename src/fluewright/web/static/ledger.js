import { data, guarded, quiet, theme, ready } from "/static/common.js";

const at = (id) => document.getElementById(id);

async function trust() {
  const { picture } = await data(`/api/ledger/trust?theme=${theme()}`);
  at("trust").innerHTML = picture;
  at("trust").hidden = !picture;
}
at("backup")?.addEventListener("click", guarded(async () => {
  const { kept } = await data("/api/ledger/backup", {});
  at("says").textContent = `Copied to ${kept}.`;
  at("kept").textContent = "Last copied just now; it lacks nothing.";
}));
at("verify")?.addEventListener("click", guarded(async () => {
  at("says").textContent = "Checking every event ...";
  const told = await data("/api/ledger/verify", {});
  at("says").textContent = told.clean ? "The ledger is whole: every event is there and unchanged." : `Something is wrong: ${told.findings.join("; ")}. Keep this file, and go back to a copy.`;
}));
at("restore")?.addEventListener("submit", (event) => {
  event.preventDefault();
  const { copy } = Object.fromEntries(new FormData(event.target));
  if (!confirm(`Put ${copy} in the ledger's place? What was entered since then is moved aside.`)) return;
  guarded(async () => {
    const { aside, events } = await data("/api/ledger/restore", { copy });
    at("says").textContent = `Restored, ${events} events. What was there before is kept in ${aside}.`;
  })();
});
if (at("trust")) {
  document.addEventListener("theme", quiet(trust));
  quiet(trust)();
}
ready();

// The line to the program: news for this piece, and the way back after the program was away.
// The program gives a sign every 5 s: a line that is silent for longer is dead, though nobody closed it.
const DEAD_MS = 15000;

export function connect(serial, { opened, news }) {
  const sign = document.getElementById("link");
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const socket = new WebSocket(`${scheme}://${location.host}/live/${encodeURIComponent(serial)}`);
  socket.binaryType = "arraybuffer";
  let heard = performance.now();
  let over = false;
  const watch = setInterval(() => { if (performance.now() - heard > DEAD_MS) lost(); }, 2000);

  async function lost() {
    if (over) return;
    over = true;
    clearInterval(watch);
    socket.close();
    sign.textContent = "The program does not answer; trying again by itself. Nothing that was kept is lost.";
    sign.hidden = false;
    // A device that is no longer paired would ask in vain.
    const answer = await fetch(`/api/bench/${encodeURIComponent(serial)}`, { signal: AbortSignal.timeout(3000) }).catch(() => null);
    if (answer?.status === 401) {
      const way = document.createElement("a");
      way.href = "/pair";
      way.textContent = "pair it again";
      sign.replaceChildren("The program does not know this device any more (it was started anew, or a month is over): ", way, ". Nothing that was kept is lost.");
    }
    setTimeout(() => connect(serial, { opened, news }), 700);
  }

  socket.addEventListener("open", () => { sign.hidden = true; opened(socket); });
  socket.addEventListener("message", (event) => { heard = performance.now(); if (!over) news(JSON.parse(event.data)); });
  socket.addEventListener("close", lost);
}

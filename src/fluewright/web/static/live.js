// The line to the program: news for this piece, and the way back after the program was away.
export function connect(serial, { opened, news }) {
  const sign = document.getElementById("link");
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const socket = new WebSocket(`${scheme}://${location.host}/live/${encodeURIComponent(serial)}`);
  socket.binaryType = "arraybuffer";
  socket.addEventListener("open", () => { sign.hidden = true; opened(socket); });
  socket.addEventListener("message", (event) => news(JSON.parse(event.data)));
  socket.addEventListener("close", () => {
    sign.hidden = false;
    sign.textContent = "The program does not answer; trying again by itself. Nothing that was kept is lost.";
    setTimeout(() => connect(serial, { opened, news }), 700);
  });
}

// The line to the host: one websocket that comes back by itself. Messages are objects with a `kind`.

const FIRST_WAIT_MS = 300;
const LONGEST_WAIT_MS = 5_000;

export class Line {
  constructor({ heard, up, down }) {
    Object.assign(this, { heard, up, down, waitMs: FIRST_WAIT_MS, socket: null });
    this.open();
    document.addEventListener("visibilitychange", () => document.hidden || this.returned());
    addEventListener("pageshow", () => this.returned());
    addEventListener("online", () => this.returned());
  }

  open() {
    clearTimeout(this.timer);
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    this.socket = socket;
    socket.onopen = () => {
      this.waitMs = FIRST_WAIT_MS;
      this.opened = true;
      this.up();
    };
    socket.onmessage = ({ data }) => {
      const message = readMessage(data);
      if (message) this.heard(message);
    };
    socket.onclose = () => {
      if (this.socket !== socket) return;
      this.socket = null;
      this.down(Boolean(this.opened));
      this.timer = setTimeout(() => this.open(), this.waitMs);
      this.waitMs = Math.min(this.waitMs * 2, LONGEST_WAIT_MS);
    };
  }

  // The page is looked at again: what it missed comes at once.
  returned() {
    if (!this.socket) this.open();
    else this.send({ kind: "all" });
  }

  send(message) {
    if (this.socket?.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }
}

function readMessage(data) {
  try {
    const message = JSON.parse(data);
    return message && typeof message.kind === "string" ? message : null;
  } catch {
    return null;
  }
}

// The line to the host: one websocket that comes back by itself. Messages are objects with a `kind`; the first one sent
// shows the secret of this load, and what comes back says that it is known.

import { enter, forget, NotLetIn } from "./entry.js";

const FIRST_WAIT_MS = 300;
const LONGEST_WAIT_MS = 5_000;
const NOT_KNOWN = 1008; // RFC 6455: against the host's policy

export class Line {
  // `heard` gets each message; `up` is called when the line is there, `down` with whether the page is not let in.
  constructor({ heard, up, down }) {
    Object.assign(this, { heard, up, down, waitMs: FIRST_WAIT_MS, socket: null, enters: false });
    this.open();
    document.addEventListener("visibilitychange", () => document.hidden || this.returned());
    addEventListener("pageshow", () => this.returned());
    addEventListener("online", () => this.returned());
  }

  async open() {
    clearTimeout(this.timer);
    if (this.enters) return;
    this.enters = true;
    try {
      this.begin(await enter());
    } catch (error) {
      this.ended(error instanceof NotLetIn);
    }
    this.enters = false;
  }

  begin(secret) {
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    this.socket = socket;
    let known = false;
    socket.onopen = () => socket.send(JSON.stringify({ kind: "enter", secret }));
    socket.onmessage = ({ data }) => {
      if (!known) {
        known = true;
        this.waitMs = FIRST_WAIT_MS;
        this.up();
      }
      const message = readMessage(data);
      if (message) this.heard(message);
    };
    socket.onclose = ({ code }) => {
      if (this.socket !== socket) return;
      this.socket = null;
      if (code === NOT_KNOWN) forget();
      this.ended(false);
    };
  }

  // A wrong token stays wrong: it is not tried again by itself.
  ended(refused) {
    this.down(refused);
    if (refused) return;
    this.timer = setTimeout(() => this.open(), this.waitMs);
    this.waitMs = Math.min(this.waitMs * 2, LONGEST_WAIT_MS);
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

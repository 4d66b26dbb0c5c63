// Events on their way to Python. Each carries a number; it is kept until Python's trait `acknowledged` names that
// number, and sent again when that takes long: no event is lost with a connection. Python drops what comes twice.

const FIRST_WAIT_MS = 2000;
const LONGEST_WAIT_MS = 30000;

class Outbox {
  constructor(model, onSlow) {
    this.model = model;
    this.onSlow = onSlow;
    this.client = Array.from(crypto.getRandomValues(new Uint32Array(3)), (n) => n.toString(36)).join("-");
    this.last = 0;
    this.waiting = [];
    this.slow = false;
    this.wait = FIRST_WAIT_MS;
    this.sendAgain = this.sendAgain.bind(this);
    this.holdPage = this.holdPage.bind(this);
    window.addEventListener("online", this.sendAgain);
    window.addEventListener("beforeunload", this.holdPage);
  }

  get empty() {
    return this.waiting.length === 0;
  }

  post(event) {
    const message = { ...event, client: this.client, seq: ++this.last };
    this.waiting.push(message);
    this.send(message);
    this.timer ??= setTimeout(this.sendAgain, this.wait);
    return message.seq;
  }

  // Takes out, and returns, what has arrived since the last call.
  settle() {
    const arrived = this.model.get("acknowledged")[this.client] ?? 0;
    const done = this.waiting.filter((message) => message.seq <= arrived);
    if (done.length === 0) return done;
    this.waiting = this.waiting.filter((message) => message.seq > arrived);
    this.slow = false;
    this.wait = FIRST_WAIT_MS;
    this.stopTimer();
    if (!this.empty) this.timer = setTimeout(this.sendAgain, this.wait);
    return done;
  }

  send(message) {
    try {
      this.model.send(message);
    } catch {
      // The connection is gone at this moment; sendAgain comes back to it.
    }
  }

  sendAgain() {
    this.stopTimer();
    if (this.empty) return;
    this.waiting.forEach((message) => this.send(message));
    this.wait = Math.min(this.wait * 2, LONGEST_WAIT_MS);
    this.timer = setTimeout(this.sendAgain, this.wait);
    this.slow = true;
    this.onSlow();
  }

  stopTimer() {
    clearTimeout(this.timer);
    this.timer = undefined;
  }

  // Leaving the page now would lose readings: the browser asks first.
  holdPage(event) {
    if (!this.empty) event.preventDefault();
  }

  dispose() {
    this.stopTimer();
    window.removeEventListener("online", this.sendAgain);
    window.removeEventListener("beforeunload", this.holdPage);
  }
}

/** The WebSocket to the bench: requests with their answers, and coming back after a loss. */

const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 15000;
const SILENCE_MS = 5000;
const ANSWER_MS = 15000;

/**
 * Emits `open`, `lost` (detail: {attempt, wait_ms}) and `message` (detail: the message).
 * The wait between attempts doubles up to LONGEST_WAIT_MS, with a little chance in it, so
 * that many pages do not come back in one instant. A link on which nothing comes for
 * SILENCE_MS counts as lost: the bench sends its time many times a second.
 */
export class Connection extends EventTarget {
  #url;
  #socket = null;
  #attempt = 0;
  #timer = 0;
  #watch = 0;
  #heard = 0;
  #next = 1;
  #waiting = new Map();

  constructor(url) {
    super();
    this.#url = url;
  }

  get isOpen() {
    return this.#socket?.readyState === WebSocket.OPEN;
  }

  start() {
    clearTimeout(this.#timer);
    this.#drop();
    const socket = new WebSocket(this.#url);
    this.#socket = socket;
    this.#heard = performance.now();
    socket.addEventListener("open", () => this.#emit("open"));
    socket.addEventListener("message", (event) => this.#take(JSON.parse(event.data)));
    socket.addEventListener("close", () => { if (socket === this.#socket) this.#lose(); });
    clearInterval(this.#watch);
    this.#watch = setInterval(() => this.#listen(), 1000);
  }

  stop() {
    clearTimeout(this.#timer);
    clearInterval(this.#watch);
    this.#drop();
  }

  /** Send one request; resolves with its answer, rejects with an Error that says why not. */
  ask(request) {
    if (!this.isOpen) return Promise.reject(new Error("not connected; nothing was sent"));
    const id = this.#next++;
    this.#socket.send(JSON.stringify({ ...request, id }));
    return new Promise((resolve, reject) => {
      const timer = setTimeout(() => {
        this.#waiting.delete(id);
        reject(new Error("no answer; it is not known whether it was done"));
      }, ANSWER_MS);
      this.#waiting.set(id, { resolve, reject, timer });
    });
  }

  #take(message) {
    this.#heard = performance.now();
    this.#attempt = 0;
    if (message.t !== "reply") return this.#emit("message", message);
    const one = this.#waiting.get(message.id);
    if (!one) return undefined;
    this.#waiting.delete(message.id);
    clearTimeout(one.timer);
    if (message.error !== undefined) return one.reject(new Error(message.error));
    return one.resolve(message.answer ?? {});
  }

  #listen() {
    if (this.isOpen && performance.now() - this.#heard > SILENCE_MS) this.#lose();
  }

  #lose() {
    this.#drop();
    clearInterval(this.#watch);
    const wait = Math.min(LONGEST_WAIT_MS, FIRST_WAIT_MS * 2 ** this.#attempt);
    const wait_ms = wait * (0.8 + 0.4 * Math.random());
    this.#attempt += 1;
    this.#timer = setTimeout(() => this.start(), wait_ms);
    this.#emit("lost", { attempt: this.#attempt, wait_ms });
  }

  #drop() {
    const socket = this.#socket;
    this.#socket = null;
    socket?.close();
    for (const { reject, timer } of this.#waiting.values()) {
      clearTimeout(timer);
      reject(new Error("the connection was lost; it is not known whether it was done"));
    }
    this.#waiting.clear();
  }

  #emit(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }
}

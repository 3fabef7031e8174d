/** Mouse, finger and keys on the trends. A drag marks what to zoom to; Shift or a finger moves. */

const LEAST_DRAG_PX = 6;
const KEY_SHARE = 0.01;

export class TrendPointer {
  #canvas;
  #trends;
  #drag = null;

  constructor(canvas, trends) {
    this.#canvas = canvas;
    this.#trends = trends;
    canvas.addEventListener("wheel", (event) => this.#wheel(event), { passive: false });
    canvas.addEventListener("pointerdown", (event) => this.#down(event));
    canvas.addEventListener("pointermove", (event) => this.#move(event));
    canvas.addEventListener("pointerup", (event) => this.#up(event));
    canvas.addEventListener("pointercancel", () => this.#end());
    canvas.addEventListener("pointerleave", () => { if (!this.#drag && document.activeElement !== canvas) trends.setCursor(null); });
    canvas.addEventListener("keydown", (event) => this.#key(event));
  }

  #at(event) {
    return this.#trends.plot.timeAt(event.offsetX);
  }

  #wheel(event) {
    event.preventDefault();
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      this.#trends.shift(Math.sign(event.deltaX || event.deltaY) * 0.1);
    } else this.#trends.zoom(event.deltaY > 0 ? 1.25 : 0.8, this.#at(event));
  }

  #down(event) {
    if (event.button !== 0) return;
    this.#canvas.setPointerCapture(event.pointerId);
    const moves = event.shiftKey || event.pointerType === "touch";
    this.#drag = { x: event.offsetX, at: this.#at(event), moves, bounds: this.#trends.bounds() };
  }

  #move(event) {
    const drag = this.#drag;
    if (!drag) return this.#trends.setCursor(this.#at(event));
    if (Math.abs(event.offsetX - drag.x) < LEAST_DRAG_PX) return undefined;
    if (!drag.moves) return this.#trends.setBand([drag.at, this.#at(event)]);
    const { from, to } = drag.bounds;
    const by = ((drag.x - event.offsetX) / this.#canvas.clientWidth) * (to - from);
    return this.#trends.setBounds(from + by, to + by);
  }

  #up(event) {
    const drag = this.#drag;
    this.#end();
    if (!drag) return;
    const isDrag = Math.abs(event.offsetX - drag.x) >= LEAST_DRAG_PX;
    if (!isDrag) this.#trends.setCursor(drag.at);
    else if (!drag.moves) {
      const ends = [drag.at, this.#at(event)].sort((a, b) => a - b);
      this.#trends.setBounds(...ends);
    }
  }

  #end() {
    this.#drag = null;
    this.#trends.setBand(null);
  }

  #key(event) {
    const trends = this.#trends;
    const acts = {
      ArrowLeft: () => (event.shiftKey ? trends.shift(-0.1) : trends.moveCursor(-KEY_SHARE)),
      ArrowRight: () => (event.shiftKey ? trends.shift(0.1) : trends.moveCursor(KEY_SHARE)),
      "+": () => trends.zoom(0.5),
      "=": () => trends.zoom(0.5),
      "-": () => trends.zoom(2),
      Home: () => trends.goOldest(),
      End: () => trends.goLive(),
      Escape: () => trends.setCursor(null),
    };
    const act = acts[event.key];
    if (!act || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    act();
  }
}

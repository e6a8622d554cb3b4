// Mouse, finger and keyboard on the canvas, and what they mean at the moment.

import { away, fit, foot, lineAt, pan, panelAt, reveal, toTable, walk, zoom } from "./view.js";
import { REACH_PX, tidy } from "./board.js";
import { lineName } from "./words.js";

const DRAG_PX = 4;

export const hands = {
  listen() {
    const canvas = this.canvas;
    canvas.addEventListener("pointerdown", (event) => this.down(event));
    canvas.addEventListener("pointermove", (event) => this.move(event));
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (event) => this.up(event));
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("keydown", (event) => this.pressed(event));
    // The page around has single-letter keys of its own.
    this.root.addEventListener("keydown", (event) => event.stopPropagation());
    this.find(".rail").addEventListener("click", (event) => this.railed(event.target.closest("button")?.dataset.do));
    this.find(".fade input").addEventListener("input", () => this.draw());
    this.find(".naming").addEventListener("submit", (event) => {
      event.preventDefault();
      this.nameIt(this.find(".naming input").value.trim());
    });
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden && this.put && this.root.host.isConnected) this.put("look", Date.now());
    });
  },

  place(event) {
    const box = this.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  },

  down(event) {
    this.canvas.setPointerCapture(event.pointerId);
    const at = this.place(event);
    this.byKeys = false;
    this.pointers.set(event.pointerId, at);
    this.reach = REACH_PX[event.pointerType] ?? REACH_PX.mouse;
    if (this.pointers.size === 2) return this.pinchBegins();
    const table = toTable(this.view, at);
    this.gesture = { begun: at, touch: event.pointerType === "touch", moved: false, what: "pan" };
    if (this.mode === "draw") this.gesture.what = "draw";
    else if (this.line() && foot(walk(this.line()), table).off * this.view.scale <= this.reach) this.gesture.what = "pull";
  },

  pinchBegins() {
    this.held = this.trial = this.finger = null;
    if (this.gesture?.what === "draw" && this.gesture.moved) this.draft = [];
    const [a, b] = [...this.pointers.values()];
    this.gesture = { what: "pinch", apart: away(a, b), middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] };
  },

  move(event) {
    const at = this.place(event);
    const before = this.pointers.get(event.pointerId);
    if (!before) return this.hover(event, at);
    this.pointers.set(event.pointerId, at);
    const gesture = this.gesture;
    if (!gesture) return;
    if (gesture.what === "pinch") return this.pinch();
    if (!gesture.moved && away(at, gesture.begun) < DRAG_PX) return;
    if (!gesture.moved) this.dragBegins(gesture);
    gesture.moved = true;
    this.finger = gesture.touch && gesture.what !== "pan" ? at : null;
    this.gliding = gesture.what === "pan";
    if (gesture.what === "pan") pan(this.view, at[0] - before[0], at[1] - before[1]);
    if (gesture.what === "pull") this.pull(toTable(this.view, at));
    if (gesture.what === "draw") for (const one of event.getCoalescedEvents?.() ?? [event]) this.trail(this.place(one));
    this.draw();
  },

  dragBegins(gesture) {
    const table = toTable(this.view, gesture.begun);
    if (gesture.what === "pull") this.held = this.pullFrom(table);
    if (gesture.what === "draw" && !this.draft.length) this.draft = [this.snapped(table, []).place];
  },

  trail(at) {
    const table = toTable(this.view, at);
    if (away(this.draft.at(-1), table) * this.view.scale >= 3) this.draft.push(table);
  },

  hover(event, at) {
    if (event.pointerType === "touch") return;
    this.reach = REACH_PX.mouse;
    const table = toTable(this.view, at);
    if (this.mode === "draw") {
      const snapped = this.snapped(table, []);
      this.ring = snapped.to ? snapped.place : null;
      this.pen = snapped.place;
      this.draw();
    }
    const line = this.mode === "look" && this.line();
    const on = line && foot(walk(line), table).off * this.view.scale <= this.reach;
    this.canvas.style.cursor = on ? "grab" : "crosshair";
  },

  pinch() {
    this.gliding = true;
    const [a, b] = [...this.pointers.values()];
    const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    const apart = away(a, b);
    zoom(this.view, apart / Math.max(this.gesture.apart, 1), middle);
    pan(this.view, middle[0] - this.gesture.middle[0], middle[1] - this.gesture.middle[1]);
    Object.assign(this.gesture, { apart, middle });
    this.draw();
  },

  up(event) {
    const at = this.pointers.get(event.pointerId);
    this.pointers.delete(event.pointerId);
    const gesture = this.gesture;
    if (!at || !gesture) return;
    if (gesture.what === "pinch") {
      if (!this.pointers.size) this.gesture = null;
      return;
    }
    this.gesture = this.finger = null;
    const table = toTable(this.view, at);
    if (event.type === "pointercancel") return this.escape();
    if (!gesture.moved) return this.mode === "draw" ? this.addPoint(table) : this.choose(table);
    if (gesture.what === "pull") this.letGo();
    if (gesture.what === "draw") this.drawnInOneGo(table);
    this.draw();
  },

  drawnInOneGo(end) {
    const closes = this.draft.length > 8 && away(this.draft[0], end) * this.view.scale < this.reach;
    const drawn = steadied(this.draft);
    this.draft = closes ? drawn : [...drawn, this.snapped(end, []).place];
    this.finishDrawing(closes, false);
  },

  wheel(event) {
    event.preventDefault();
    this.gliding = true;
    zoom(this.view, Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0016)), this.place(event));
    this.draw();
  },

  railed(what) {
    const middle = [this.view.width / 2, this.view.height / 2];
    if (what === "draw") return this.mode === "draw" ? this.escape() : this.startDrawing();
    if (what === "undo") return this.back("undo", "Taken back.");
    if (what === "redo") return this.back("redo", "Done again.");
    if (what === "nearer") zoom(this.view, 1.5, middle);
    if (what === "farther") zoom(this.view, 1 / 1.5, middle);
    if (what === "whole") fit(this.view, this.frame);
    this.draw();
  },

  pressed(event) {
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const control = event.ctrlKey || event.metaKey;
    const known = control ? CONTROL_KEYS[event.shiftKey ? `shift+${key}` : key] : KEYS[key];
    if (!known) return;
    event.preventDefault();
    this.reach = REACH_PX.mouse;
    this.byKeys = true;
    known(this, event);
  },

  nudge(dx, dy, far) {
    const step = Number(this.find(".stepping select").value) * (far ? 10 : 1);
    const from = this.pen ?? toTable(this.view, [this.view.width / 2, this.view.height / 2]);
    const to = [from[0] + dx * step, from[1] + dy * step];
    if (this.held) {
      // The keyboard sets places exactly, so nothing snaps.
      this.trial = { ...this.held, to: tidy(to) };
    }
    this.pen = to;
    reveal(this.view, to);
    this.say(this.under(to));
    this.draw();
  },

  under(place) {
    if (this.held) return `Pulled by ${away(this.held.from, place).toFixed(1)} mm.`;
    const found = lineAt(this.drawing.lines, place, REACH_PX.mouse / this.view.scale);
    const panel = panelAt(this.drawing.panels, place);
    return found ? lineName(found.line) : panel ? `Panel ${panel.number}` : "Table";
  },

  entered() {
    if (this.mode === "draw") return this.addPoint(this.pen ?? toTable(this.view, [this.view.width / 2, this.view.height / 2]));
    if (this.held) return this.letGo();
    const line = this.line();
    const on = line && this.pen && foot(walk(line), this.pen).off * this.view.scale <= this.reach;
    if (this.mode === "look" && on) return this.takeHold();
    this.choose(this.pen ?? toTable(this.view, [this.view.width / 2, this.view.height / 2]));
  },

  takeHold() {
    this.held = this.pullFrom(this.pen);
    this.pen = this.held.from;
    this.say("Held. Arrow keys pull, Enter lets go, Escape leaves it as it was.");
    this.draw();
  },
};

const KEYS = {
  ArrowLeft: (board, event) => board.nudge(-1, 0, event.shiftKey),
  ArrowRight: (board, event) => board.nudge(1, 0, event.shiftKey),
  ArrowUp: (board, event) => board.nudge(0, -1, event.shiftKey),
  ArrowDown: (board, event) => board.nudge(0, 1, event.shiftKey),
  Enter: (board) => board.entered(),
  " ": (board) => board.entered(),
  Escape: (board) => board.escape(),
  Delete: (board) => board.remove(),
  Backspace: (board) => board.remove(),
  x: (board) => board.remove(),
  c: (board) => board.cutInTwo(),
  j: (board) => board.line() && board.startJoining(),
  d: (board) => board.startDrawing(),
  q: (board) => board.chooseGuess(board.nextGuess()),
  y: (board) => board.edgeIsRight(),
  n: (board) => board.step(1),
  p: (board) => board.step(-1),
  "+": (board) => board.railed("nearer"),
  "=": (board) => board.railed("nearer"),
  "-": (board) => board.railed("farther"),
  0: (board) => board.railed("whole"),
};
const CONTROL_KEYS = {
  z: (board) => board.railed("undo"),
  y: (board) => board.railed("redo"),
  "shift+z": (board) => board.railed("redo"),
};

// A hand trembles more on glass than on foil: every point the mean of three.
function steadied(points) {
  return points.map((point, i) =>
    i && i + 1 < points.length ? point.map((_, k) => (points[i - 1][k] + point[k] + points[i + 1][k]) / 3) : point,
  );
}

// The board's state and what can be done on it: choosing, drawing, pulling, putting right.

import { away, closeUp, cornerAt, fit, foot, halfway, lineAt, makeView, panelAt, snap, toTable, walk } from "./view.js";
import { fresh, preview } from "./preview.js";
import { aboutGuess, aboutLine, aboutPanel, lineName, MEANINGS } from "./words.js";
import { Acts } from "./acts.js";

const pictures = new Map();
export const REACH_PX = { mouse: 10, pen: 12, touch: 20 };
export const SIGN_PX = 13;
const PHONE = "(max-width: 640px)";
const MEETABLE = ["cut", "reference", "hole", "edge"];
const CORNER_FOLLOW_MM = 25;

export class Board {
  constructor(root) {
    this.root = root;
    this.view = makeView();
    this.mode = "look";
    this.followsInk = true;
    this.chosen = {};
    this.draft = [];
    this.pointers = new Map();
    this.salt = String.fromCharCode(...Array.from({ length: 2 }, () => 97 + Math.floor(26 * Math.random())));
    this.canvas = this.find(".view");
    this.find(".more").open = !matchMedia(PHONE).matches;
    this.listen();
    new ResizeObserver(() => this.resized()).observe(this.canvas);
  }

  find(selector) {
    return this.root.querySelector(selector);
  }

  // Called with every answer; what the hand is doing at the moment goes on.
  take({ data, setStateValue }) {
    const first = !this.data;
    if (first || this.data.board !== data.board) {
      this.acts = new Acts(data.board, (waiting) => this.put("acts", waiting));
      this.fitted = false;
    }
    this.put = setStateValue;
    this.data = data;
    const changed = this.acts.answered(data.seen);
    this.frame = data.frame;
    this.showPicture();
    this.refresh();
    if (changed && data.drawing.said.length) this.say(data.drawing.said.join(" "));
    if (!this.acts.waiting.every((act) => this.sent?.has(act.id))) this.resend();
  }

  resend() {
    this.sent = new Set(this.acts.waiting.map((act) => act.id));
    this.put("acts", this.acts.waiting);
  }

  showPicture() {
    const { pictureId, picture } = this.data;
    if (picture && !pictures.has(pictureId)) {
      const image = new Image();
      image.onload = () => this.draw();
      image.src = picture;
      pictures.clear();
      pictures.set(pictureId, image);
    }
    this.picture = pictures.get(pictureId);
    const has = this.picture ? pictureId : "";
    this.told ??= this.data.pictureHeld;
    if (has !== this.told) this.put("picture", (this.told = has));
  }

  refresh() {
    this.drawing = preview(this.data.drawing, this.acts.shown());
    if (this.chosen.line && !this.line()) this.chosen = {};
    if (this.chosen.guess && !this.guess()) this.chosen = { line: this.chosen.line };
    if (this.chosen.panelAt) this.chosen.panel = panelAt(this.drawing.panels, this.chosen.panelAt)?.id;
    this.showTag();
    this.showList();
    this.showRail();
    this.draw();
  }

  line(id = this.chosen.line) {
    return this.drawing.lines.find((line) => line.id === id);
  }

  // A place where the cut edge is a guess: the edge is chosen with it, so that it can be pulled at once.
  guess() {
    const [x, y] = this.chosen.guess ?? [];
    return this.drawing.guesses.find(({ at }) => at[0] === x && at[1] === y);
  }

  panel() {
    return this.drawing.panels.find((panel) => panel.id === this.chosen.panel);
  }

  // Doing

  correct(correction, words, more = {}) {
    this.acts.add({ act: "do", correction, ...more });
    this.sent = new Set(this.acts.waiting.map((act) => act.id));
    this.say(words);
    this.refresh();
  }

  back(act, words) {
    const left = act === "undo" ? this.data.done : this.data.undone;
    if (!left && !this.acts.waiting.length) return;
    this.acts.add({ act });
    this.sent = new Set(this.acts.waiting.map((one) => one.id));
    this.chosen = {};
    this.say(words);
    this.refresh();
  }

  remove() {
    const line = this.line();
    if (!line || line.meaning === "edge") return;
    this.chosen = {};
    this.correct({ do: "delete", stroke: line.id }, `${lineName(line)} taken out.`);
  }

  cutInTwo() {
    const line = this.line();
    if (!line || line.meaning === "edge") return;
    const at = foot(walk(line), this.pen ?? halfway(line)).place;
    this.correct({ do: "split", stroke: line.id, at, new: this.freshId() }, `${lineName(line)} cut in two.`);
  }

  joinTo(other) {
    const line = this.line();
    this.mode = "look";
    if (!line || !other || other.meaning === "edge") return this.say("Choose a drawn line to join to.");
    const words = other.id === line.id ? `${lineName(line)} closed.` : `${lineName(line)} joined to ${lineName(other)}.`;
    this.correct({ do: "join", stroke: line.id, with: other.id }, words);
  }

  edgeIsRight() {
    const guess = this.guess();
    if (!guess) return;
    const next = this.nextGuess();
    this.chosen = {};
    this.correct({ do: "edge-right", at: guess.at }, "The cut edge is right there.");
    if (next !== guess) return this.chooseGuess(next);
    fit(this.view, this.frame);
    this.draw();
  }

  nextGuess() {
    const { guesses } = this.drawing;
    return guesses[(guesses.indexOf(this.guess()) + 1) % guesses.length];
  }

  mean(meaning) {
    const line = this.line();
    if (line && line.meaning !== meaning)
      this.correct({ do: "meaning", stroke: line.id, meaning }, `${lineName(line)}: ${MEANINGS[meaning]}.`);
  }

  nameIt(name) {
    const panel = this.panel();
    if (!panel) return;
    this.correct(
      { do: "name", at: panel.at, name },
      name ? `Panel ${panel.number} is called ${name}.` : `Panel ${panel.number} has no name.`,
    );
  }

  freshId() {
    const taken = [...this.data.drawing.lines, ...this.drawing.lines].map((line) => line.id);
    const waiting = this.acts.waiting.map((act) => act.correction?.new).filter(Boolean);
    const numbers = [...taken, ...waiting].map((id) => Number(id.match(/^h(\d+)/)?.[1] ?? 0));
    this.last = Math.max(this.last ?? 0, ...numbers) + 1;
    return `h${this.last}${this.salt}`;
  }

  // Drawing a missing line

  startDrawing() {
    this.mode = "draw";
    this.draft = [];
    this.chosen = {};
    this.say("Tap where the line begins, then where it goes; it ends on another line. Or draw it in one go.");
    this.showTag();
    this.showRail();
    this.draw();
    // On a phone the button lies below the surface.
    this.canvas.scrollIntoView({ block: "nearest" });
  }

  addPoint(at) {
    const snapped = this.snapped(at, []);
    const first = this.draft[0];
    const closes = this.draft.length > 2 && away(first, at) * this.view.scale < this.reach;
    if (closes) return this.finishDrawing(true);
    const twice = this.draft.length && away(this.draft.at(-1), snapped.place) * this.view.scale < 3;
    if (twice) return this.finishDrawing(false);
    this.draft.push(snapped.place);
    if (this.draft.length > 1 && snapped.to) return this.finishDrawing(false);
    this.say(snapped.to ? "Begun on a line." : `Point ${this.draft.length}.`);
    this.draw();
  }

  // Taps are joined along the ink, by the answer; a line drawn in one go says itself where it runs.
  finishDrawing(closed, tapped = true) {
    const points = this.draft;
    this.draft = [];
    this.mode = "look";
    this.ring = null;
    if (points.length < 2) {
      this.say("Nothing drawn.");
      return this.refresh();
    }
    const id = this.freshId();
    this.chosen = { line: id };
    const told = { do: "draw", new: id, points: points.map(tidy), closed, meaning: "cut" };
    const words = `${lineName(fresh(id, points, closed, "cut"))} drawn. Say if it is not to be cut.`;
    this.correct(told, words, { follow: tapped && this.followsInk });
  }

  // Pulling

  pullFrom(place) {
    const line = this.line();
    const near = this.reach / this.view.scale;
    const corner = cornerAt(this.cornersOf(line), place, near);
    if (corner) return { do: "move-corner", from: corner, reach: CORNER_FOLLOW_MM };
    const from = foot(walk(line), place).place;
    return { do: "move-point", stroke: line.id, from, reach: Number(this.find(".follow select").value) };
  }

  cornersOf(line) {
    const near = (corner) => foot(walk(line), corner).off < 1.5;
    return line ? this.data.drawing.corners.filter(near) : [];
  }

  pull(to) {
    // Only an end wants to meet another line; the middle of a line goes where it is pulled.
    const meets = this.held.do === "move-corner" || this.atEnd(this.held.from);
    const snapped = meets ? this.snapped(to, this.meeting(this.held.from), []) : { place: to };
    this.trial = { ...this.held, to: tidy(snapped.place) };
    this.ring = snapped.to ? snapped.place : null;
    this.pen = snapped.place;
    this.draw();
  }

  atEnd(place) {
    const line = this.line();
    const near = this.reach / this.view.scale;
    return !line.closed && [line.points[0], line.points.at(-1)].some((end) => away(end, place) < near);
  }

  meeting(place) {
    return this.drawing.lines.filter((line) => foot(walk(line), place).off <= 1.5).map((line) => line.id);
  }

  letGo() {
    const told = this.trial;
    this.held = this.trial = this.ring = null;
    if (!told || away(told.from, told.to) < 0.02) return this.draw();
    const moved = away(told.from, told.to).toFixed(1);
    this.correct({ ...told, from: tidy(told.from) }, `Pulled by ${moved} mm.`);
  }

  snapped(at, apart, corners = null) {
    const near = this.reach / this.view.scale;
    const lines = this.drawing.lines.filter((line) => MEETABLE.includes(line.meaning));
    return snap(lines, corners ?? this.data.drawing.corners, at, near, apart);
  }

  // Choosing

  choose(place) {
    this.pen = place;
    const near = this.reach / this.view.scale;
    const found = lineAt(this.drawing.lines, place, near);
    if (this.mode === "join") return this.joinTo(found?.line);
    const guess = this.drawing.guesses.find(({ at }) => away(at, place) * this.view.scale <= Math.max(this.reach, SIGN_PX));
    if (guess) return this.chooseGuess(guess, false);
    if (found) return this.chooseLine(found.line, found.place);
    const panel = panelAt(this.drawing.panels, place);
    this.chosen = panel ? { panel: panel.id, panelAt: panel.at } : {};
    this.say(panel ? aboutPanel(panel) : "Nothing is chosen.");
    this.refresh();
  }

  chooseLine(line, place = halfway(line)) {
    this.pen = place;
    this.chosen = { line: line.id };
    this.say(aboutLine(line));
    this.refresh();
    this.uncover();
  }

  chooseGuess(guess, closer = true) {
    if (!guess) return;
    this.mode = "look";
    this.pen = guess.at;
    this.chosen = { line: guess.edge, guess: guess.at };
    if (closer) closeUp(this.view, guess.points);
    this.say(aboutGuess(guess));
    this.refresh();
    this.uncover();
  }

  choosePanel(panel) {
    this.chosen = { panel: panel.id, panelAt: panel.at };
    this.pen = panel.at;
    this.say(aboutPanel(panel));
    this.refresh();
  }

  step(way) {
    const lines = this.drawing.lines;
    const at = lines.findIndex((line) => line.id === this.chosen.line);
    this.chooseLine(lines[(at + way + lines.length) % lines.length]);
    this.uncover(true);
  }

  escape() {
    this.held = this.trial = this.ring = null;
    this.draft = [];
    this.mode = "look";
    this.chosen = {};
    this.say("Nothing is chosen.");
    this.refresh();
  }
}

export function tidy([x, y]) {
  return [Math.round(x * 1000) / 1000, Math.round(y * 1000) / 1000];
}

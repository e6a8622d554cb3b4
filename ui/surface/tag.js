// What the board shows: the canvas, the tag with what is chosen, the list of all lines.

import { fit, foot, reveal, walk } from "./view.js";
import { preview } from "./preview.js";
import { LOOKS, paint } from "./paint.js";
import { aboutGuess, aboutLine, aboutPanel, count, MEANINGS } from "./words.js";

const REST_MS = 140;

export const tag = {
  resized() {
    const box = this.canvas.getBoundingClientRect();
    if (!box.width) return;
    const density = Math.min(2, window.devicePixelRatio || 1);
    this.canvas.width = Math.round(box.width * density);
    this.canvas.height = Math.round(box.height * density);
    Object.assign(this.view, { width: box.width, height: box.height });
    this.draw();
  },

  // Brings what was chosen out from under the tag, which lies over the foot of the surface on a phone.
  uncover(always = false) {
    const [canvas, tag] = [this.canvas, this.find(".tag")].map((each) => each.getBoundingClientRect());
    const beside = tag.left >= canvas.right || tag.top >= canvas.bottom;
    if (!beside || always) reveal(this.view, this.pen, beside ? 0 : canvas.bottom - tag.top);
    this.draw();
  },

  draw() {
    this.wanted ??= requestAnimationFrame(() => {
      this.wanted = null;
      this.drawNow();
    });
  },

  drawNow() {
    if (!this.data || this.view.width < 2) return;
    if (!this.fitted) {
      fit(this.view, this.frame);
      this.fitted = true;
    }
    const shown = this.trial ? preview(this.drawing, [this.trial]) : this.drawing;
    // The chosen line is drawn apart before it is pulled, so that taking hold of it draws nothing else anew.
    const moved = shown.lines.filter((line, n) => line !== this.drawing.lines[n] || line.id === this.chosen.line);
    const rough = paint(this.canvas, this.scene(shown, moved), (this.kept ??= {}));
    clearTimeout(this.sharpening);
    if (rough) this.sharpening = setTimeout(() => ((this.gliding = false), this.draw()), REST_MS);
    // Where millimetres lie on the canvas, for whoever looks from outside.
    this.canvas.dataset.view = [this.view.scale, this.view.left, this.view.top].join(" ");
  },

  scene(shown, moved) {
    return {
      view: this.view,
      paper: getComputedStyle(this.root.host).getPropertyValue("--st-background-color").trim() || "#ffffff",
      picture: this.picture?.complete ? this.picture : null,
      frame: this.frame,
      strength: Number(this.find(".fade input").value) / 100,
      gliding: this.gliding,
      lines: moved.length ? shown.lines.filter((line) => !moved.includes(line)) : shown.lines,
      moving: moved,
      panels: shown.panels,
      line: this.chosen.line,
      panel: this.chosen.panel,
      guesses: this.drawing.guesses,
      guess: this.guess(),
      corners: this.mode === "look" && !this.held ? this.cornersOf(this.line()) : [],
      draft: this.draft,
      pen: this.byKeys || this.chosen.line || this.mode === "draw" ? this.pen : null,
      held: Boolean(this.held),
      snapped: this.ring,
      finger: this.finger,
    };
  },

  // Heard by screen readers; shown only where the tag does not say it already.
  say(words) {
    this.find(".live").textContent = words;
    this.find(".live").classList.toggle("heard", words === this.find(".chosen").textContent);
  },

  showTag() {
    const [line, panel] = [this.line(), this.panel()];
    const drawn = line && line.meaning !== "edge";
    this.find(".chosen").textContent = this.mode === "draw" ? "A new line, to be cut along" : this.chosenWords(line, panel);
    this.find(".live").classList.toggle("heard", this.find(".live").textContent === this.find(".chosen").textContent);
    this.find(".hint").textContent = this.hint(line, panel);
    replaceButtons(this.find(".verbs"), this.verbs(line, drawn));
    this.showMeaning(drawn && this.mode === "look" ? line : null);
    this.find(".more").hidden = !line || this.mode !== "look";
    const naming = this.find(".naming");
    const input = naming.querySelector("input");
    naming.hidden = !panel;
    if (panel && this.root.activeElement !== input) input.value = panel.name;
  },

  verbs(line, drawn) {
    if (this.mode === "draw") return this.drawVerbs();
    if (this.guess()) return this.guessVerbs();
    if (drawn) return this.lineVerbs(line);
    const nothing = !line && !this.panel();
    return nothing && this.drawing.guesses.length ? [["Show me where", () => this.chooseGuess(this.nextGuess())]] : [];
  },

  guessVerbs() {
    const more = this.drawing.guesses.length > 1 ? [["Next place", () => this.chooseGuess(this.nextGuess())]] : [];
    return [[this.guess().tip ? "It ends here" : "It runs right", () => this.edgeIsRight()], ...more];
  },

  chosenWords(line, panel) {
    if (this.guess()) return aboutGuess(this.guess());
    if (line) return aboutLine(line);
    if (panel) return aboutPanel(panel);
    const drawn = this.drawing.lines.filter((one) => one.meaning !== "edge").length;
    const places = this.drawing.guesses.length;
    const asked = places ? ` In ${count(places, "place")} the cut edge is a guess.` : "";
    return `${count(this.drawing.panels.length, "panel")} and ${count(drawn, "line")}. Tap a line or a panel.${asked}`;
  },

  hint(line) {
    if (this.mode === "draw") return this.draft.length ? "Tap on; it ends on another line" : "Tap where the line begins";
    if (this.mode === "join") return "Tap the line to join to";
    if (this.guess()) return `If not, drag it to where the ${this.guess().tip ? "cut" : "shell"} ends`;
    return line ? "Drag the chosen line to pull it into place" : "";
  },

  drawVerbs() {
    return [
      ["It ends here", () => this.finishDrawing(false)],
      [this.followsInk ? "Between taps: along the ink" : "Between taps: straight", () => this.turnFollowing()],
      ["Leave it", () => this.escape()],
    ];
  },

  turnFollowing() {
    this.followsInk = !this.followsInk;
    this.say(this.followsInk ? "Between taps the line follows the ink." : "Between taps the line runs straight.");
    this.showTag();
  },

  lineVerbs(line) {
    if (this.mode === "join") return [["Leave it", () => this.escape()]];
    const join = line.closed ? [] : [["Join to another line", () => this.startJoining()]];
    return [["Take it out", () => this.remove()], ["Cut in two here", () => this.cutInTwo()], ...join];
  },

  startJoining() {
    this.mode = "join";
    this.say("Now the line to join to; the same one once more closes it.");
    this.showTag();
  },

  showMeaning(line) {
    const box = this.find(".meaning");
    box.hidden = !line;
    if (!line) return;
    const wanted = Object.keys(MEANINGS).filter((meaning) => meaning !== "hole" || line.closed);
    if (box.dataset.shown !== wanted.join()) {
      box.replaceChildren(...wanted.map((meaning) => this.choice(meaning)));
      box.dataset.shown = wanted.join();
    }
    for (const input of box.querySelectorAll("input")) input.checked = input.value === line.meaning;
  },

  choice(meaning) {
    const input = Object.assign(document.createElement("input"), { type: "radio", name: "meaning", value: meaning });
    input.addEventListener("change", () => this.mean(meaning));
    const label = document.createElement("label");
    label.append(input, MEANINGS[meaning]);
    return label;
  },

  showRail() {
    const waiting = this.acts.waiting.length > 0;
    this.find('[data-do="undo"]').disabled = !this.data.done && !waiting;
    this.find('[data-do="redo"]').disabled = !this.data.undone;
    this.find('[data-do="draw"]').setAttribute("aria-pressed", String(this.mode === "draw"));
    const key = this.find(".key");
    const shown = Object.keys(LOOKS).filter((look) => look !== "guess" || this.drawing.guesses.length);
    if (key.childElementCount !== shown.length) key.replaceChildren(...shown.map(legend));
  },

  showList() {
    const wanted = [
      ...this.drawing.panels.map((panel) => [`p:${panel.id}`, aboutPanel(panel), () => this.choosePanel(this.fromList(panel))]),
      ...this.drawing.guesses.map((guess) => [`g:${guess.at}`, aboutGuess(guess), () => this.chooseGuess(guess)]),
      ...this.drawing.lines.map((line) => [`l:${line.id}`, aboutLine(line), () => this.chooseLine(this.line(line.id))]),
    ];
    const list = this.find(".all ul");
    const focused = this.root.activeElement?.dataset?.id;
    list.replaceChildren(
      ...wanted.map(([id, words, run]) => {
        const item = document.createElement("li");
        const chosen = [`l:${this.chosen.line}`, `p:${this.chosen.panel}`, `g:${this.chosen.guess}`].includes(id);
        item.append(button(words, () => (run(), this.uncover(true)), { id, pressed: chosen }));
        return item;
      }),
    );
    if (focused) list.querySelector(`[data-id="${CSS.escape(focused)}"]`)?.focus();
  },

  fromList(panel) {
    return this.drawing.panels.find((one) => one.id === panel.id) ?? panel;
  },
};

function button(words, run, { id, pressed } = {}) {
  const made = Object.assign(document.createElement("button"), { type: "button", textContent: words });
  made.addEventListener("click", run);
  if (id) made.dataset.id = id;
  if (pressed !== undefined) made.setAttribute("aria-pressed", String(pressed));
  return made;
}

function replaceButtons(box, wanted) {
  const words = wanted.map(([label]) => label).join("|");
  if (box.dataset.shown === words) return;
  const root = box.getRootNode();
  const focused = box.contains(root.activeElement);
  box.replaceChildren(...wanted.map(([label, run]) => button(label, run)));
  box.dataset.shown = words;
  // Whoever pressed a button that is gone goes on from here, not from the top of the page.
  if (focused) (box.querySelector("button") ?? root.querySelector(".view")).focus({ preventScroll: true });
}

const LEGEND = { cut: "cut line", reference: "guide", tick: "tick", note: "note", hole: "hole", edge: "cut edge of the shell", guess: "cut edge, a guess" };

function legend(meaning) {
  const item = document.createElement("span");
  const { colour, dash } = LOOKS[meaning];
  item.innerHTML = `<svg width="34" height="8"><path d="M1 4H33" stroke="#fff" stroke-width="6"/><path d="M1 4H33" stroke="${colour}" stroke-width="3" stroke-dasharray="${dash}"/></svg>`;
  item.append(LEGEND[meaning]);
  return item;
}

// What the board says, in plain words; figures with their unit and ±.

export const MEANINGS = {
  cut: "cut here",
  reference: "guide only",
  tick: "tick across an edge",
  note: "note, no line",
  hole: "hole",
};

const KINDS = { cut: "cut line", reference: "guide line", tick: "tick", note: "note", hole: "hole", edge: "cut edge" };

export function count(number, one) {
  return `${number} ${one}${number === 1 ? "" : "s"}`;
}

export function lineName(line) {
  const number = line.id.match(/\d+/)?.[0] ?? "";
  if (line.meaning === "edge") return `Cut edge of the shell${number > 1 ? ` ${number}` : ""}`;
  return line.id.startsWith("h") ? `Hand-drawn ${number}` : `Line ${number}`;
}

export function aboutLine(line) {
  const drawn = line.byHand ? ", set by hand" : "";
  return `${lineName(line)}: ${KINDS[line.meaning]}${drawn}, ${line.length.toFixed(0)} mm, ± ${line.sigma.toFixed(2)} mm`;
}

export function aboutPanel(panel) {
  const name = panel.name ? ` “${panel.name}”` : "";
  return `Panel ${panel.number}${name}: ${(panel.area / 100).toFixed(1)} cm², edge ${panel.perimeter.toFixed(0)} mm, ± ${panel.sigma.toFixed(2)} mm`;
}

export function aboutGuess(guess) {
  if (guess.tip) return "Does this cut end here? A line is so close that it is a guess whether the cut reaches it.";
  return `Does the cut edge run here? Over ${guess.length.toFixed(0)} mm it hardly differs from the table.`;
}

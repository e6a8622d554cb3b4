// Corrections shown at once, until the panels cut anew arrive. What counts is the answer; this is for the eye.

import { away, foot, walk } from "./view.js";

const MEET_MM = 1.5;
const STEP_MM = 1;

export function preview(drawing, corrections) {
  let { lines, panels } = drawing;
  for (const told of corrections) {
    const deed = DEEDS[told.do];
    if (deed) ({ lines, panels } = deed({ lines, panels }, told));
  }
  const settled = corrections.filter((told) => told.do === "edge-right").map((told) => told.at.join());
  const guesses = settled.length ? drawing.guesses.filter((guess) => !settled.includes(guess.at.join())) : drawing.guesses;
  return { ...drawing, lines, panels, guesses };
}

const swap = (lines, id, change) => lines.flatMap((line) => (line.id === id ? change(line) : [line]));

const DEEDS = {
  delete: ({ lines, panels }, told) => ({ lines: swap(lines, told.stroke, () => []), panels }),
  draw: ({ lines, panels }, told) => ({
    lines: [...lines, fresh(told.new, told.points, told.closed, told.meaning)],
    panels,
  }),
  meaning: ({ lines, panels }, told) => ({
    lines: swap(lines, told.stroke, (line) => [{ ...line, meaning: told.meaning }]),
    panels,
  }),
  split: ({ lines, panels }, told) => ({ lines: swap(lines, told.stroke, (line) => halves(line, told)), panels }),
  join: ({ lines, panels }, told) => ({ lines: joined(lines, told), panels }),
  "move-point": ({ lines, panels }, told) => ({
    lines: swap(lines, told.stroke, (line) => [pulled(line, told, false)]),
    panels,
  }),
  "move-corner": ({ lines, panels }, told) => ({ lines: cornered(lines, told), panels }),
  name: ({ lines, panels }, told) => ({
    lines,
    panels: panels.map((panel) => (panel.id === told.panel ? { ...panel, name: told.name } : panel)),
  }),
};

export function fresh(id, points, closed, meaning) {
  return { id, meaning, colour: "black", closed, width: 1.6, sigma: 0.5, byHand: true, length: lengthOf(points), points };
}

export function lengthOf(points) {
  return points.slice(1).reduce((sum, point, i) => sum + away(points[i], point), 0);
}

function halves(line, told) {
  if (line.closed) return [line];
  const { place, index } = foot(line.points, told.at);
  const first = [...line.points.slice(0, index + 1), place];
  const second = [place, ...line.points.slice(index + 1)];
  return [
    { ...line, points: first, length: lengthOf(first) },
    { ...line, id: told.new, points: second, length: lengthOf(second) },
  ];
}

function joined(lines, told) {
  const [a, b] = [told.stroke, told.with].map((id) => lines.find((line) => line.id === id));
  if (!a || !b) return lines;
  if (a === b) return swap(lines, a.id, () => [{ ...a, closed: true }]);
  const ways = [];
  for (const before of [a.points, [...a.points].reverse()])
    for (const after of [b.points, [...b.points].reverse()]) ways.push([before, after]);
  ways.sort((p, q) => away(p[0].at(-1), p[1][0]) - away(q[0].at(-1), q[1][0]));
  const points = ways[0].flat();
  return swap(lines, a.id, () => [{ ...a, points, length: lengthOf(points), byHand: true }]).filter(
    (line) => line.id !== b.id,
  );
}

function cornered(lines, told) {
  const meets = (line) => foot(walk(line), told.from).off <= MEET_MM;
  const drawn = lines.filter((line) => line.meaning !== "edge" && meets(line));
  const moved = new Set(drawn.length ? drawn : lines.filter(meets));
  return lines.map((line) => (moved.has(line) ? pulled(line, told, true) : line));
}

function dense(points) {
  return points.flatMap((point, i) => {
    if (!i) return [point];
    const [a, count] = [points[i - 1], Math.max(1, Math.ceil(away(points[i - 1], point) / STEP_MM))];
    return Array.from({ length: count }, (_, k) => a.map((value, n) => value + ((point[n] - value) * (k + 1)) / count));
  });
}

function pulled(line, told, sharp) {
  const points = dense(walk(line));
  const at = foot(points, told.from);
  const shift = [told.to[0] - at.place[0], told.to[1] - at.place[1]];
  const total = lengthOf(points);
  let way = 0;
  const moved = points.map((point, i) => {
    if (i) way += away(points[i - 1], point);
    let off = Math.abs(way - at.way);
    if (line.closed) off = Math.min(off, total - off);
    const near = Math.max(0, 1 - off / told.reach);
    const weight = sharp ? near : (1 - Math.cos(Math.PI * near)) / 2;
    return [point[0] + weight * shift[0], point[1] + weight * shift[1]];
  });
  return { ...line, points: line.closed ? moved.slice(0, -1) : moved, byHand: true };
}

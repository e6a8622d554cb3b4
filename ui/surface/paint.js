// The picture on the canvas: photo, panels, lines, what is chosen, and the glass under a finger.

import { toScreen } from "./view.js";

// Okabe & Ito's colours, as on the overlay; dashes tell the meanings apart without colour.
export const LOOKS = {
  cut: { colour: "#d55e00", dash: [], width: 2.6 },
  reference: { colour: "#0072b2", dash: [9, 5], width: 2.2 },
  tick: { colour: "#a03c7d", dash: [], width: 2 },
  note: { colour: "#6f6f6f", dash: [2, 4], width: 2 },
  hole: { colour: "#d55e00", dash: [14, 3, 3, 3], width: 2.4 },
  edge: { colour: "#0b4f46", dash: [], width: 2 },
  guess: { colour: "#b3005e", dash: [5, 4], width: 4 },
};
const TINTS = ["#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#cc79a7"];
const SIGN_RADIUS_PX = 10;
const GLASS_PX = 64;
// Below this width on the screen a panel's ± would lie over its neighbours.
const SIGMA_FROM_PX = 90;
const GLASS_TIMES = 2.5;
const shapes = new WeakMap();

function shapeOf(points, closed) {
  let shape = shapes.get(points);
  if (!shape) {
    shape = new Path2D();
    points.forEach(([x, y], i) => (i ? shape.lineTo(x, y) : shape.moveTo(x, y)));
    if (closed) shape.closePath();
    shapes.set(points, shape);
  }
  return shape;
}

// Draws the scene; what stands still is kept as a picture of its own, so that a drag draws only what moves. While the
// view glides that picture is shifted and stretched; true is returned when it should be drawn sharp once the view rests.
export function paint(canvas, scene, kept) {
  const context = canvas.getContext("2d");
  const density = canvas.width / scene.view.width;
  const rough = standing(canvas, scene, kept, density);
  context.setTransform(1, 0, 0, 1, 0, 0);
  context.fillStyle = scene.paper;
  context.fillRect(0, 0, canvas.width, canvas.height);
  const stretch = scene.view.scale / kept.view.scale;
  const shift = ["left", "top"].map((side) => density * (scene.view[side] - kept.view[side] * stretch));
  context.setTransform(stretch, 0, 0, stretch, ...shift);
  context.drawImage(kept.layer, 0, 0);
  context.setTransform(density * scene.view.scale, 0, 0, density * scene.view.scale, density * scene.view.left, density * scene.view.top);
  for (const line of scene.moving) stroke(context, scene, line, 1 / scene.view.scale);
  context.setTransform(density, 0, 0, density, 0, 0);
  marks(context, scene, scene.view);
  if (scene.finger) glass(context, scene, density);
  return rough;
}

// Brings the picture of what stands still up to date, unless the view glides and only its place has changed.
function standing(canvas, scene, kept, density) {
  const content = [scene.picture, scene.strength, scene.paper, scene.panels, scene.line, scene.panel, canvas.width, canvas.height];
  content.push(...scene.lines);
  const same = kept.content?.length === content.length && content.every((value, n) => value === kept.content[n]);
  const placed = kept.view && ["scale", "left", "top"].every((side) => kept.view[side] === scene.view[side]);
  if (same && placed) return false;
  if (same && scene.gliding) return true;
  kept.layer ??= document.createElement("canvas");
  if (kept.layer.width !== canvas.width) kept.layer.width = canvas.width;
  if (kept.layer.height !== canvas.height) kept.layer.height = canvas.height;
  const context = kept.layer.getContext("2d");
  context.setTransform(1, 0, 0, 1, 0, 0);
  context.fillStyle = scene.paper;
  context.fillRect(0, 0, canvas.width, canvas.height);
  layers(context, scene, scene.view, density);
  Object.assign(kept, { content, view: { ...scene.view } });
  return false;
}

function layers(context, scene, view, density) {
  context.setTransform(density * view.scale, 0, 0, density * view.scale, density * view.left, density * view.top);
  if (scene.picture) {
    context.globalAlpha = scene.strength;
    context.imageSmoothingQuality = "medium";
    const { left, top, width, height } = scene.frame;
    context.drawImage(scene.picture, left, top, width, height);
    context.globalAlpha = 1;
  }
  scene.panels.forEach((panel, i) => {
    context.globalAlpha = panel.id === scene.panel ? 0.5 : 0.17;
    context.fillStyle = TINTS[i % TINTS.length];
    context.fill(panelShape(panel), "evenodd");
  });
  context.globalAlpha = 1;
  for (const line of scene.lines) stroke(context, scene, line, 1 / view.scale);
  context.setTransform(density, 0, 0, density, 0, 0);
  for (const panel of scene.panels) letter(context, view, panel);
}

// Where the cut edge is a guess: a broken line along it, and a sign to tap.
function questions(context, scene, view) {
  for (const guess of scene.guesses) {
    context.beginPath();
    for (const point of guess.points) context.lineTo(...toScreen(view, point));
    for (const [colour, width, dash] of [["#ffffff", 6, []], [LOOKS.guess.colour, LOOKS.guess.width, LOOKS.guess.dash]]) {
      context.strokeStyle = colour;
      context.lineWidth = width;
      context.setLineDash(dash);
      context.stroke();
    }
    context.setLineDash([]);
    if (guess === scene.guess) continue;
    const [x, y] = toScreen(view, guess.at);
    dot(context, [x, y], SIGN_RADIUS_PX, LOOKS.guess.colour, "#ffffff");
    context.font = "700 14px system-ui, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillStyle = "#ffffff";
    context.fillText("?", x, y + 0.5);
  }
}

function panelShape(panel) {
  let shape = shapes.get(panel.outline);
  if (!shape) {
    shape = new Path2D(shapeOf([...panel.outline], true));
    for (const hole of panel.holes) shape.addPath(shapeOf([...hole], true));
    shapes.set(panel.outline, shape);
  }
  return shape;
}

function stroke(context, scene, line, px) {
  const look = LOOKS[line.meaning] ?? LOOKS.note;
  const chosen = line.id === scene.line;
  const shape = shapeOf(line.points, line.closed);
  context.lineJoin = context.lineCap = "round";
  context.setLineDash([]);
  if (chosen) {
    // The band is ± 1 σ on either side, never thinner than can be seen.
    context.strokeStyle = "rgba(255, 214, 10, 0.75)";
    context.lineWidth = Math.max(2 * line.sigma, 9 * px);
    context.stroke(shape);
  }
  context.strokeStyle = "rgba(255, 255, 255, 0.85)";
  context.lineWidth = (look.width + 2) * px;
  context.stroke(shape);
  context.strokeStyle = look.colour;
  context.lineWidth = (chosen ? look.width + 0.8 : look.width) * px;
  context.setLineDash(look.dash.map((length) => length * px));
  context.stroke(shape);
  context.setLineDash([]);
}

function letter(context, view, panel) {
  const [x, y] = toScreen(view, panel.at);
  context.textAlign = "center";
  context.textBaseline = "middle";
  const roomy = across(panel) * view.scale > SIGMA_FROM_PX;
  write(context, panel.name ? `${panel.number} · ${panel.name}` : panel.number, [x, y], "600 15px");
  if (roomy) write(context, `± ${panel.sigma.toFixed(2)} mm`, [x, y + 17], "12px");
}

function write(context, words, [x, y], font) {
  context.font = `${font} system-ui, sans-serif`;
  context.lineWidth = 4;
  context.strokeStyle = "rgba(255, 255, 255, 0.9)";
  context.strokeText(words, x, y);
  context.fillStyle = "#1d2730";
  context.fillText(words, x, y);
}

const widths = new WeakMap();

// How wide a panel is, the slimmer way of two (mm).
function across(panel) {
  let width = widths.get(panel.outline);
  if (width === undefined) {
    const sides = [0, 1].map((n) => panel.outline.map((point) => point[n]));
    width = Math.min(...sides.map((values) => Math.max(...values) - Math.min(...values)));
    widths.set(panel.outline, width);
  }
  return width;
}

function marks(context, scene, view) {
  questions(context, scene, view);
  for (const corner of scene.corners) dot(context, toScreen(view, corner), 4, "#ffffff", "#1d2730");
  if (scene.draft.length) {
    context.beginPath();
    for (const point of scene.draft) context.lineTo(...toScreen(view, point));
    if (scene.pen) context.lineTo(...toScreen(view, scene.pen));
    context.strokeStyle = "rgba(255, 255, 255, 0.9)";
    context.lineWidth = 5;
    context.stroke();
    context.strokeStyle = "#d55e00";
    context.lineWidth = 2.5;
    context.stroke();
    dot(context, toScreen(view, scene.draft[0]), 4, "#d55e00", "#ffffff");
  }
  if (scene.snapped) ring(context, toScreen(view, scene.snapped));
  if (scene.pen) cross(context, toScreen(view, scene.pen), scene.held);
}

function dot(context, [x, y], radius, fill, rim) {
  context.beginPath();
  context.arc(x, y, radius, 0, 2 * Math.PI);
  context.fillStyle = fill;
  context.fill();
  context.strokeStyle = rim;
  context.lineWidth = 1.5;
  context.stroke();
}

function ring(context, [x, y]) {
  for (const [colour, width] of [["#ffffff", 5], ["#7a3d00", 2.5]]) {
    context.beginPath();
    context.arc(x, y, 10, 0, 2 * Math.PI);
    context.strokeStyle = colour;
    context.lineWidth = width;
    context.stroke();
  }
}

function cross(context, [x, y], held) {
  for (const [colour, width] of [["#ffffff", 4], [held ? "#b00020" : "#1d2730", 1.6]]) {
    context.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      context.moveTo(x + 4 * dx, y + 4 * dy);
      context.lineTo(x + 14 * dx, y + 14 * dy);
    }
    context.strokeStyle = colour;
    context.lineWidth = width;
    context.stroke();
  }
}

// What lies under the finger, larger, in the upper corner away from it.
function glass(context, scene, density) {
  const { view, finger } = scene;
  const middle = [finger[0] < view.width / 2 ? view.width - GLASS_PX - 10 : GLASS_PX + 10, GLASS_PX + 10];
  const near = { ...view, scale: view.scale * GLASS_TIMES };
  near.left = middle[0] - ((finger[0] - view.left) / view.scale) * near.scale;
  near.top = middle[1] - ((finger[1] - view.top) / view.scale) * near.scale;
  context.save();
  context.setTransform(density, 0, 0, density, 0, 0);
  context.beginPath();
  context.arc(...middle, GLASS_PX, 0, 2 * Math.PI);
  context.clip();
  context.fillStyle = scene.paper;
  context.fillRect(middle[0] - GLASS_PX, 0, 2 * GLASS_PX, 2 * GLASS_PX + 20);
  layers(context, { ...scene, lines: [...scene.lines, ...scene.moving] }, near, density);
  marks(context, scene, near);
  context.restore();
  context.setTransform(density, 0, 0, density, 0, 0);
  context.beginPath();
  context.arc(...middle, GLASS_PX, 0, 2 * Math.PI);
  context.strokeStyle = "#1d2730";
  context.lineWidth = 2;
  context.stroke();
}

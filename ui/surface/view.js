// Geometry of what is on the screen: where a millimetre lies, what is under the pointer, what an end snaps to.

export function makeView() {
  return { scale: 1, left: 0, top: 0, width: 1, height: 1 };
}

export function toScreen(view, [x, y]) {
  return [x * view.scale + view.left, y * view.scale + view.top];
}

export function toTable(view, [x, y]) {
  return [(x - view.left) / view.scale, (y - view.top) / view.scale];
}

export function fit(view, frame, margin = 8) {
  const scale = Math.min((view.width - 2 * margin) / frame.width, (view.height - 2 * margin) / frame.height);
  view.scale = Math.max(scale, 0.05);
  view.left = view.width / 2 - (frame.left + frame.width / 2) * view.scale;
  view.top = view.height / 2 - (frame.top + frame.height / 2) * view.scale;
}

export const FARTHEST = 0.2;
export const NEAREST = 60;

export function zoom(view, factor, [x, y]) {
  const scale = Math.min(NEAREST, Math.max(FARTHEST, view.scale * factor));
  const [tx, ty] = toTable(view, [x, y]);
  view.scale = scale;
  view.left = x - tx * scale;
  view.top = y - ty * scale;
}

export function pan(view, dx, dy) {
  view.left += dx;
  view.top += dy;
}

const CLOSE_MM = 30;

// Brings the points near, with some of what lies around them.
export function closeUp(view, points) {
  const sides = [0, 1].map((n) => points.map((point) => point[n]));
  const [left, top] = sides.map((values) => Math.min(...values));
  const [width, height] = sides.map((values, n) => Math.max(...values) - [left, top][n]);
  const around = (size) => ({ size: Math.max(2 * size, CLOSE_MM), past: (Math.max(2 * size, CLOSE_MM) - size) / 2 });
  const [across, down] = [around(width), around(height)];
  fit(view, { left: left - across.past, top: top - down.past, width: across.size, height: down.size });
}

// Moves the view so that a place comes to lie well inside it, above what is covered at its foot (px).
export function reveal(view, place, covered = 0) {
  const [x, y] = toScreen(view, place);
  const edge = 40;
  pan(
    view,
    Math.max(0, edge - x) - Math.max(0, x - (view.width - edge)),
    Math.max(0, edge - y) - Math.max(0, y - (view.height - covered - edge)),
  );
}

export function away(a, b) {
  return Math.hypot(a[0] - b[0], a[1] - b[1]);
}

export function walk(line) {
  return line.closed ? [...line.points, line.points[0]] : line.points;
}

// The place on a polyline nearest to a point: {place, off, way, index}; way is the length from its start.
export function foot(points, at) {
  let best = { off: Infinity };
  let way = 0;
  for (let i = 0; i + 1 < points.length; i++) {
    const [a, b] = [points[i], points[i + 1]];
    const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    const square = dx * dx + dy * dy;
    const share = square ? Math.min(1, Math.max(0, ((at[0] - a[0]) * dx + (at[1] - a[1]) * dy) / square)) : 0;
    const place = [a[0] + share * dx, a[1] + share * dy];
    const off = away(place, at);
    const step = Math.sqrt(square);
    if (off < best.off) best = { place, off, way: way + share * step, index: i };
    way += step;
  }
  return best;
}

export function halfway(line) {
  const points = walk(line);
  let total = 0;
  for (let i = 0; i + 1 < points.length; i++) total += away(points[i], points[i + 1]);
  let rest = total / 2;
  for (let i = 0; i + 1 < points.length; i++) {
    const step = away(points[i], points[i + 1]);
    if (step >= rest && step > 0) {
      const share = rest / step;
      return [0, 1].map((k) => points[i][k] + share * (points[i + 1][k] - points[i][k]));
    }
    rest -= step;
  }
  return points[0];
}

// The nearest line within reach of a place, or null; lines the maker drew come before the cut edge.
export function lineAt(lines, place, reach) {
  let best = null;
  for (const line of lines) {
    const found = foot(walk(line), place);
    const rank = found.off + (line.meaning === "edge" ? reach / 2 : 0);
    if (found.off <= reach && (!best || rank < best.rank)) best = { line, rank, ...found };
  }
  return best;
}

export function panelAt(panels, place) {
  const inside = panels.filter((panel) => holds(panel.outline, place));
  return inside.sort((a, b) => a.area - b.area)[0] ?? null;
}

function holds(ring, [x, y]) {
  let odd = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
    const [[ax, ay], [bx, by]] = [ring[i], ring[j]];
    if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) odd = !odd;
  }
  return odd;
}

export function cornerAt(corners, place, reach) {
  const near = corners.filter((corner) => away(corner, place) <= reach);
  return near.sort((a, b) => away(a, place) - away(b, place))[0] ?? null;
}

// Where a pulled or drawn end wants to go: an end or corner first, then a line, then the cut edge, else where it is.
export function snap(lines, corners, place, reach, apart = []) {
  const others = lines.filter((line) => !apart.includes(line.id));
  const ends = others.filter((line) => !line.closed).flatMap((line) => [line.points[0], line.points.at(-1)]);
  const corner = cornerAt([...ends, ...corners], place, reach);
  if (corner) return { place: corner, to: "a corner" };
  const found = lineAt(others, place, reach);
  return found ? { place: found.place, to: found.line.id, line: found.line } : { place, to: null };
}

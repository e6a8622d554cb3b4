// Corrections on their way to the shelf: each is sent until the answer names it, and outlives a reload.

export class Acts {
  constructor(name, send) {
    this.name = `truepeel-acts-${name}`;
    this.send = send;
    this.waiting = load(this.name);
  }

  add(act) {
    this.waiting = [...this.waiting, { id: crypto.getRandomValues(new Uint32Array(3)).join("-"), ...act }];
    this.keep();
    this.send(this.waiting);
  }

  // Drops the last correction again if it has not been sent home yet; true if there was one.
  answered(seen) {
    const known = new Set(seen);
    const left = this.waiting.filter((act) => !known.has(act.id));
    const changed = left.length !== this.waiting.length;
    this.waiting = left;
    if (changed) this.keep();
    return changed;
  }

  // What is shown of the waiting acts: corrections that no waiting "undo" takes back.
  shown() {
    const shown = [];
    for (const act of this.waiting) {
      if (act.act === "do") shown.push(act.correction);
      if (act.act === "undo") shown.pop();
    }
    return shown;
  }

  keep() {
    try {
      if (this.waiting.length) localStorage.setItem(this.name, JSON.stringify(this.waiting));
      else localStorage.removeItem(this.name);
    } catch {
      // A browser without storage still sends everything; only a crash within that second could lose it.
    }
  }
}

function load(name) {
  try {
    const found = JSON.parse(localStorage.getItem(name) ?? "[]");
    return Array.isArray(found) ? found : [];
  } catch {
    return [];
  }
}

// Four corners set on a photo, by mouse, finger or keyboard; places are shares of the picture, 0 to 1.

const TIMES = 4;
const boxes = new WeakMap();

class Corners {
  constructor(root) {
    this.root = root;
    this.table = root.querySelector(".table");
    this.image = root.querySelector("img");
    this.glass = root.querySelector(".glass");
    this.buttons = [1, 2, 3, 4].map((number) => this.button(number));
    this.table.append(...this.buttons);
    root.addEventListener("keydown", (event) => event.stopPropagation());
  }

  take({ data, setStateValue }) {
    this.put = setStateValue;
    if (this.picture === data.picture) return;
    this.picture = data.picture;
    this.image.src = data.picture;
    this.glass.style.backgroundImage = `url(${data.picture})`;
    this.places = data.corners.map((place) => [...place]);
    this.show();
  }

  button(number) {
    const made = Object.assign(document.createElement("button"), { type: "button" });
    made.setAttribute("aria-label", `Corner ${number}`);
    made.append(Object.assign(document.createElement("span"), { textContent: String(number) }));
    const index = number - 1;
    made.addEventListener("pointerdown", (event) => {
      made.setPointerCapture(event.pointerId);
      this.grip = [event.clientX - this.middle(index)[0], event.clientY - this.middle(index)[1]];
    });
    made.addEventListener("pointermove", (event) => {
      if (!this.grip) return;
      const box = this.table.getBoundingClientRect();
      this.move(index, [
        (event.clientX - this.grip[0] - box.left) / box.width,
        (event.clientY - this.grip[1] - box.top) / box.height,
      ]);
      this.magnify(index);
    });
    for (const end of ["pointerup", "pointercancel"])
      made.addEventListener(end, () => {
        if (!this.grip) return;
        this.grip = null;
        this.glass.hidden = true;
        this.done(index);
      });
    made.addEventListener("keydown", (event) => this.pressed(index, event));
    made.addEventListener("focus", () => made.matches(":focus-visible") && this.magnify(index));
    made.addEventListener("blur", () => (this.glass.hidden = true));
    return made;
  }

  middle(index) {
    const box = this.table.getBoundingClientRect();
    return [box.left + this.places[index][0] * box.width, box.top + this.places[index][1] * box.height];
  }

  pressed(index, event) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way) return;
    event.preventDefault();
    const step = event.shiftKey ? 10 : 0.5;
    const box = this.table.getBoundingClientRect();
    const [x, y] = this.places[index];
    this.move(index, [x + (way[0] * step) / box.width, y + (way[1] * step) / box.height]);
    this.magnify(index);
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.done(index), 400);
  }

  move(index, [x, y]) {
    this.places[index] = [Math.min(1, Math.max(0, x)), Math.min(1, Math.max(0, y))];
    this.show();
  }

  done(index) {
    const [x, y] = this.places[index].map((share) => (100 * share).toFixed(1));
    this.root.querySelector(".said").textContent = `Corner ${index + 1} is ${x} % from the left, ${y} % from the top.`;
    this.put("corners", this.places);
  }

  show() {
    const points = this.places.map((place) => place.join(",")).join(" ");
    for (const polygon of this.root.querySelectorAll("polygon")) polygon.setAttribute("points", points);
    this.buttons.forEach((button, index) => {
      button.style.left = `${100 * this.places[index][0]}%`;
      button.style.top = `${100 * this.places[index][1]}%`;
    });
  }

  magnify(index) {
    const box = this.table.getBoundingClientRect();
    const [x, y] = this.places[index];
    this.glass.hidden = false;
    this.glass.style.left = x < 0.5 ? "auto" : "0.5rem";
    this.glass.style.right = x < 0.5 ? "0.5rem" : "auto";
    const half = this.glass.clientWidth / 2;
    this.glass.style.backgroundSize = `${TIMES * box.width}px ${TIMES * box.height}px`;
    this.glass.style.backgroundPosition = `${half - TIMES * x * box.width}px ${half - TIMES * y * box.height}px`;
  }
}

export default function corners(component) {
  const root = component.parentElement;
  const table = root.querySelector(".table");
  if (!table) return undefined;
  let box = boxes.get(root);
  if (!box || box.table !== table) {
    box = new Corners(root);
    boxes.set(root, box);
  }
  box.take(component);
  return () => boxes.delete(root);
}

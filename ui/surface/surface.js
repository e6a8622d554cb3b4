// The drawing surface: the shell's flat view with its lines, chosen and put right by mouse, finger or keyboard.

import { Board } from "./board.js";
import { hands } from "./hands.js";
import { tag } from "./tag.js";

Object.assign(Board.prototype, hands, tag);
const boards = new WeakMap();

export default function surface(component) {
  const root = component.parentElement;
  if (!root.querySelector(".view")) return undefined;
  let board = boards.get(root);
  if (!board || board.canvas !== root.querySelector(".view")) {
    board = new Board(root);
    boards.set(root, board);
  }
  board.take(component);
  return () => boards.delete(root);
}

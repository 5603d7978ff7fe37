// Hands on the picture: mouse, finger, wheel and keys, told as what they mean. Nothing here knows what is drawn.

const CLICK_PX = 5;
const TURN_PER_PX = 0.45; // degrees
const KEY_TURN = 10;
const SIDE_KEYS = { a: "anterior", l: "lateral", p: "posterior", m: "medial", e: "end" };

/**
 * Listen on an element; returns a function that stops listening.
 *
 * `means` holds what to do: turn(deg, deg), pan(px, px), zoom(factor, x, y), hover(x, y) and leave(), click(x, y),
 * grab(x, y) -> whether a drag there moves the level, level(px down), nudge(steps), look(side), reset(), clear().
 * `wheel` is "always" or "with-ctrl": in a page that scrolls the plain wheel stays the page's.
 */
export function listen(target, means, { wheel }) {
  const held = new Map();
  let grabbed = false;
  let moved = 0;
  let apart = 0;

  const place = (event) => {
    const box = target.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  const down = (event) => {
    target.setPointerCapture(event.pointerId);
    held.set(event.pointerId, place(event));
    moved = 0;
    if (held.size === 1) grabbed = event.button === 0 && means.grab(...place(event));
    if (held.size === 2) apart = distance(held);
  };

  const move = (event) => {
    const now = place(event);
    const before = held.get(event.pointerId);
    if (!before) {
      means.hover(...now);
      return;
    }
    held.set(event.pointerId, now);
    const [dx, dy] = [now[0] - before[0], now[1] - before[1]];
    moved += Math.abs(dx) + Math.abs(dy);
    if (held.size === 2) {
      means.pan(dx / 2, dy / 2);
      const wide = distance(held);
      if (apart > 0 && wide > 0) means.zoom(wide / apart, ...middle(held));
      apart = wide;
    } else if (grabbed) {
      means.level(dy);
    } else if (event.buttons & 6 || event.shiftKey) {
      means.pan(dx, dy);
    } else {
      means.turn(-dx * TURN_PER_PX, dy * TURN_PER_PX);
    }
  };

  const up = (event) => {
    if (held.delete(event.pointerId) && moved < CLICK_PX && event.type === "pointerup") means.click(...place(event));
    grabbed = false;
  };

  const rolled = (event) => {
    if (wheel !== "always" && !event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    means.zoom(Math.exp(-event.deltaY * 0.0015), ...place(event));
  };

  const key = (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const done = keyed(event.key, means);
    if (done) event.preventDefault();
  };

  const on = { pointerdown: down, pointermove: move, pointerup: up, pointercancel: up, keydown: key };
  on.pointerleave = () => means.leave();
  for (const [name, act] of Object.entries(on)) target.addEventListener(name, act);
  target.addEventListener("wheel", rolled, { passive: false });
  return () => {
    for (const [name, act] of Object.entries(on)) target.removeEventListener(name, act);
    target.removeEventListener("wheel", rolled);
  };
}

function keyed(name, means) {
  const acts = {
    ArrowLeft: () => means.turn(-KEY_TURN, 0),
    ArrowRight: () => means.turn(KEY_TURN, 0),
    ArrowUp: () => means.turn(0, KEY_TURN),
    ArrowDown: () => means.turn(0, -KEY_TURN),
    PageDown: () => means.nudge(1),
    PageUp: () => means.nudge(-1),
    "+": () => means.zoom(1.2),
    "=": () => means.zoom(1.2),
    "-": () => means.zoom(1 / 1.2),
    0: () => means.reset(),
    Escape: () => means.clear(),
  };
  const side = SIDE_KEYS[name.toLowerCase()];
  const act = side ? () => means.look(side) : acts[name];
  act?.();
  return Boolean(act);
}

function distance(held) {
  const [a, b] = [...held.values()];
  return Math.hypot(a[0] - b[0], a[1] - b[1]);
}

function middle(held) {
  const [a, b] = [...held.values()];
  return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
}

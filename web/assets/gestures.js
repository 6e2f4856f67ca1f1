// Mouse, touch and keys on the chart, turned into four wishes: read at, zoom about, move by, the whole.
//
// Mouse: move reads, drag picks a range, drag with Shift moves, double click is the whole, wheel zooms once the chart has the focus (until then
// the page scrolls as usual). Touch: one finger reads, two fingers zoom and move, a double tap is the whole.

const DRAG_LEAST_PX = 6;
const DOUBLE_TAP_MS = 350;
const WHEEL_FACTOR = 1.0018;
const KEY_FACTOR = 1.6;
const KEY_MOVE = 0.2;
const KEY_PAGE = 0.8;

/** Listens on `node`. `wishes` has read(x), unread(), pick(x, x), picking(x, x), zoom(x, factor), move(share), step(n), whole(), end(side), lay(). */
export function listen(node, wishes) {
  const pointers = new Map();
  let began = null;
  let grabbed = null;
  let tapped = 0;
  const at = (event) => event.clientX - node.getBoundingClientRect().left;

  node.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    node.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, at(event));
    if (event.pointerType === "mouse" && event.shiftKey) grabbed = at(event);
    else if (event.pointerType === "mouse") began = at(event);
    else if (pointers.size === 1) wishes.read(at(event));
  });

  node.addEventListener("pointermove", (event) => {
    const x = at(event);
    if (grabbed !== null) {
      wishes.move((grabbed - x) / node.clientWidth);
      grabbed = x;
    } else if (pointers.has(event.pointerId) && pointers.size === 2) pinch(event.pointerId, x);
    else if (began !== null && Math.abs(x - began) >= DRAG_LEAST_PX) wishes.picking(began, x);
    else wishes.read(x);
  });

  const pinch = (id, x) => {
    const [other] = [...pointers].filter(([key]) => key !== id).map(([, value]) => value);
    const before = pointers.get(id);
    pointers.set(id, x);
    const [was, is] = [Math.abs(before - other), Math.abs(x - other)];
    if (was > 8 && is > 8) wishes.zoom((x + other) / 2, was / is, (before - x) / 2);
  };

  node.addEventListener("pointerup", (event) => {
    const x = at(event);
    if (began !== null && Math.abs(x - began) >= DRAG_LEAST_PX) wishes.pick(began, x);
    if (event.pointerType !== "mouse" && pointers.size === 1) tap(event.timeStamp);
    release(event);
  });

  const tap = (stamp) => {
    if (stamp - tapped < DOUBLE_TAP_MS) wishes.whole();
    tapped = stamp;
  };

  const release = (event) => {
    pointers.delete(event.pointerId);
    began = null;
    grabbed = null;
  };
  node.addEventListener("pointercancel", (event) => {
    release(event);
    wishes.unread();
  });
  node.addEventListener("pointerleave", (event) => {
    if (event.pointerType === "mouse" && began === null) wishes.unread();
  });
  node.addEventListener("dblclick", () => wishes.whole());

  node.addEventListener("wheel", (event) => {
    const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    if (!sideways && !event.ctrlKey && document.activeElement !== node) return;
    event.preventDefault();
    if (sideways) wishes.move(event.deltaX / node.clientWidth);
    else wishes.zoom(at(event), WHEEL_FACTOR ** event.deltaY, 0);
  }, { passive: false });

  const keys = {
    ArrowLeft: (event) => (event.shiftKey ? wishes.move(-KEY_MOVE) : wishes.step(-1)),
    ArrowRight: (event) => (event.shiftKey ? wishes.move(KEY_MOVE) : wishes.step(1)),
    "+": () => wishes.zoom(null, 1 / KEY_FACTOR, 0),
    "=": () => wishes.zoom(null, 1 / KEY_FACTOR, 0),
    "-": () => wishes.zoom(null, KEY_FACTOR, 0),
    PageUp: () => wishes.move(-KEY_PAGE),
    PageDown: () => wishes.move(KEY_PAGE),
    Home: () => wishes.end(-1),
    End: () => wishes.end(1),
    c: () => wishes.lay(),
    Escape: () => wishes.whole(),
    0: () => wishes.whole(),
  };
  node.addEventListener("keydown", (event) => {
    const wish = keys[event.key];
    if (!wish || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    wish(event);
  });
}

// Building the page. Text goes in as text, always: what boards and job files say is never markup.

const SVG = "http://www.w3.org/2000/svg";

/** An element with attributes and children; strings become text. null, undefined and false are left out. */
export function el(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  return fill(node, attributes, children);
}

/** The same for a drawing. */
export function svg(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export const byId = (id) => document.getElementById(id);

/** Sets text only when it differs, so that nothing is announced or laid out again for nothing. */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** A canvas made fit for the screen's pixels; returns its context, scaled to CSS pixels, and its size. */
export function sized(canvas) {
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  const ratio = Math.min(window.devicePixelRatio || 1, 3);
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const context = canvas.getContext("2d");
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  context.clearRect(0, 0, width, height);
  return { context, width, height };
}

/** How much larger text is than usual, by the reader's browser or on a very large screen. */
export const textScale = () => parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;

/** The font of what is written on canvases. */
export const canvasFont = (weight = "") => `${weight} ${12 * textScale()}px system-ui, sans-serif`.trim();

/** The colours of the theme in force, by their names in the style sheet. */
export function theme() {
  const style = getComputedStyle(document.documentElement);
  return new Proxy({}, { get: (_, name) => style.getPropertyValue(`--${name}`).trim() });
}

/** Calls back when the colours change. */
export function onTheme(callback) {
  addEventListener("scheme", callback);
}

/** Puts other content in the place of what is there. What had the focus keeps it, if it is there again by its `data-key`. */
export function refill(root, ...nodes) {
  keepingFocus(root, () => root.replaceChildren(...nodes));
}

/** The same about a change that takes parts out of `root` before it puts them back. */
export function keepingFocus(root, change) {
  const key = root.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
  change();
  if (key !== undefined) root.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
}

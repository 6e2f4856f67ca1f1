// The scheme the page is seen in, set before its first picture: light or dark as the device has it, or what was chosen in this
// browser. `dim` is for a plant room without light, where eyes are used to the dark. Paper is always white.
//
// The style sheet goes by `data-scheme` of the root; who draws on a canvas listens for the window's event `scheme`.

(() => {
  const KEY = "nightclamp-scheme";
  const GROUNDS = { light: "#f4f1ea", dark: "#0f1518", dim: "#080503", paper: "#ffffff" };
  const device = matchMedia("(prefers-color-scheme: dark)");

  const chosen = () => {
    try {
      return localStorage.getItem(KEY);
    } catch {
      return null; // a browser that keeps nothing
    }
  };

  const show = (scheme) => {
    document.documentElement.dataset.scheme = scheme;
    document.querySelector("meta[name=theme-color]")?.setAttribute("content", GROUNDS[scheme]);
    dispatchEvent(new Event("scheme"));
  };
  const own = () => (["light", "dark", "dim"].includes(chosen()) ? chosen() : device.matches ? "dark" : "light");

  show(own());
  device.addEventListener("change", () => show(own()));
  addEventListener("storage", () => show(own()));
  addEventListener("scheme-chosen", () => show(own()));
  addEventListener("beforeprint", () => show("paper"));
  addEventListener("afterprint", () => show(own()));
})();

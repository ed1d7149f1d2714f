// Two photos of the same place: drag the line to see before on its left and after on its right.
const states = new WeakMap();

export default function (component) {
  const { data, parentElement } = component;
  const find = (selector) => parentElement.querySelector(selector);
  if (!states.has(parentElement)) {
    states.set(parentElement, true);
    find("input").addEventListener("input", (event) => find(".pair").style.setProperty("--at", `${event.target.value}%`));
  }
  if (find(".first").getAttribute("src") !== data.before) find(".first").src = data.before;
  if (find(".second").getAttribute("src") !== data.after) find(".second").src = data.after;
  find(".said-first").textContent = data.before_words;
  find(".said-second").textContent = data.after_words;
}

// The face in every size down to the single pixel, with pits, marks and fields drawn over it.
const states = new WeakMap();
const COLOURS = ["#e2ecff", "#ffde42", "#ff961e", "#ff6054"];
let library = null;

function load() {
  library ??= new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = "/rl/assets/openseadragon.min.js";
    script.onload = () => resolve(window.OpenSeadragon);
    script.onerror = reject;
    document.head.append(script);
  });
  return library;
}

export default function (component) {
  const { data, parentElement } = component;
  let state = states.get(parentElement);
  if (!state) {
    state = { viewer: null, picked: null };
    states.set(parentElement, state);
    prepare(parentElement, state);
  }
  state.component = component;
  state.data = data;
  const stage = parentElement.querySelector(".stage");
  const shape = data.rows / data.cols;
  stage.style.height = `clamp(260px, ${(shape * 100).toFixed(0)}cqw, 72vh)`;
  parentElement.querySelector(".task").textContent = data.is_adding ? "Tap the middle of the pit that was missed." : "";
  load().then((OSD) => open(OSD, parentElement, state));
  return undefined;
}

function open(OSD, root, state) {
  const { data } = state;
  if (state.source !== data.tiles) {
    state.source = data.tiles;
    state.viewer?.destroy();
    state.viewer = OSD({
      element: root.querySelector(".view"), showNavigationControl: false, drawer: "canvas",
      maxZoomPixelRatio: 8, minZoomImageRatio: 0.9, visibilityRatio: 0.6, animationTime: 0.5,
      gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: true },
      gestureSettingsTouch: { clickToZoom: false, dblClickToZoom: true },
      tileSources: {
        width: data.cols, height: data.rows, tileSize: data.tile_px, minLevel: data.low, maxLevel: data.top,
        getTileUrl: (level, x, y) => `${data.tiles}/${level}/${x}_${y}.jpg`,
      },
    });
    for (const event of ["update-viewport", "animation", "open", "resize"]) {
      state.viewer.addHandler(event, () => draw(root, state));
    }
    state.viewer.addHandler("open", () => follow(state));
    state.viewer.addHandler("canvas-click", (event) => {
      if (!event.quick) return;
      const at = state.viewer.viewport.viewerElementToImageCoordinates(event.position);
      tap(state, at);
    });
    new ResizeObserver(() => draw(root, state)).observe(root.querySelector(".stage"));
  }
  follow(state);
  draw(root, state);
}

// Another pit was chosen elsewhere: bring it into view.
function follow(state) {
  const { data, viewer } = state;
  if (!viewer?.world.getItemCount() || data.selected === state.picked) return;
  state.picked = data.selected;
  const pit = data.pits.find((p) => p[0] === data.selected);
  if (!pit || state.isOwnTap) { state.isOwnTap = false; return; }
  const centre = viewer.viewport.imageToViewportCoordinates(pit[1], pit[2]);
  const zoom = Math.max(viewer.viewport.getZoom(), viewer.viewport.imageToViewportZoom(0.7));
  viewer.viewport.zoomTo(zoom);
  viewer.viewport.panTo(centre);
}

function tap(state, at) {
  const { data, viewer } = state;
  if (data.is_adding) {
    state.component.setTriggerValue("added", { col: at.x, row: at.y });
    return;
  }
  // A gloved finger is 24 screen pixels wide: the nearest sign within that counts.
  const reach = 24 / viewer.viewport.viewportToImageZoom(viewer.viewport.getZoom(true));
  let best = null, least = Infinity;
  for (const kind of ["pits", "marks"]) {
    for (const one of data[kind]) {
      const away = Math.hypot(one[1] - at.x, one[2] - at.y) - one[3];
      if (away < reach && away < least) { least = away; best = [kind, one[0]]; }
    }
  }
  state.isOwnTap = true;
  state.component.setTriggerValue("tapped", best ? { kind: best[0], number: best[1] } : { kind: "none", number: 0 });
}

function draw(root, state) {
  const { viewer, data } = state;
  if (!viewer?.world.getItemCount()) return;
  const canvas = root.querySelector("canvas.signs");
  const ratio = window.devicePixelRatio || 1;
  const w = canvas.clientWidth, h = canvas.clientHeight;
  if (canvas.width !== Math.round(w * ratio)) canvas.width = Math.round(w * ratio);
  if (canvas.height !== Math.round(h * ratio)) canvas.height = Math.round(h * ratio);
  const ctx = canvas.getContext("2d");
  ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
  ctx.clearRect(0, 0, w, h);
  const origin = viewer.viewport.imageToViewerElementCoordinates(new window.OpenSeadragon.Point(0, 0));
  const far = viewer.viewport.imageToViewerElementCoordinates(new window.OpenSeadragon.Point(data.cols, 0));
  const k = (far.x - origin.x) / data.cols;
  const to = (x, y) => [origin.x + x * k, origin.y + y * k];
  drawFields(ctx, data, to);
  if (data.show.marks) drawMarks(ctx, data, to, k, w, h);
  if (data.show.pits) drawPits(ctx, data, to, k, w, h);
  drawBar(root, data, k);
}

function drawFields(ctx, data, to) {
  ctx.font = "700 13px sans-serif";
  ctx.textBaseline = "top";
  for (const [name, x, y, w, h, shade] of data.fields) {
    const [left, top] = to(x, y), [right, bottom] = to(x + w, y + h);
    if (data.show.heat && shade !== null) {
      ctx.fillStyle = `rgba(18, 38, 76, ${(0.08 + 0.62 * shade).toFixed(3)})`;
      ctx.fillRect(left, top, right - left, bottom - top);
    }
    ctx.strokeStyle = "rgba(255,255,255,.55)";
    ctx.lineWidth = 1;
    ctx.strokeRect(left, top, right - left, bottom - top);
    if (right - left > 60) label(ctx, name, left + 4, bottom - 18, "#fff");
  }
}

function drawMarks(ctx, data, to, k, w, h) {
  ctx.setLineDash([4, 3]);
  ctx.lineWidth = 1.5;
  for (const [number, x, y, r] of data.marks) {
    const [cx, cy] = to(x, y), side = Math.max(r * k, 5);
    if (cx < -side || cy < -side || cx > w + side || cy > h + side) continue;
    ctx.strokeStyle = number === data.selected_mark ? "#fff" : "rgba(255,255,255,.8)";
    ctx.strokeRect(cx - side, cy - side, 2 * side, 2 * side);
  }
  ctx.setLineDash([]);
}

function drawPits(ctx, data, to, k, w, h) {
  ctx.font = "700 13px sans-serif";
  ctx.textBaseline = "middle";
  const isClose = k * 6 > 4;
  for (const [number, x, y, r, band, state] of data.pits) {
    const [cx, cy] = to(x, y), radius = Math.max(r * k + 3, 3.2 + band * 1.6);
    if (cx < -40 || cy < -40 || cx > w + 40 || cy > h + 40) continue;
    const isPicked = number === data.selected;
    ring(ctx, cx, cy, radius, COLOURS[band], state);
    if (band === 2) ring(ctx, cx, cy, radius + 4, COLOURS[band], state);
    if (band === 3) ticks(ctx, cx, cy, radius, COLOURS[band]);
    if (isPicked) ring(ctx, cx, cy, radius + 9, "#fff", "");
    if (isPicked || (isClose && (band > 0 || k > 1.2))) label(ctx, String(number), cx + radius + 5, cy - 7, "#fff");
  }
}

function ring(ctx, x, y, radius, colour, state) {
  // deleted: crossed out; left as character: broken ring; added by hand: square corners.
  const path = () => {
    ctx.beginPath();
    if (state === "added") ctx.rect(x - radius, y - radius, 2 * radius, 2 * radius);
    else ctx.arc(x, y, radius, 0, 2 * Math.PI);
    if (state === "deleted") { ctx.moveTo(x - radius, y - radius); ctx.lineTo(x + radius, y + radius); }
    ctx.stroke();
  };
  ctx.setLineDash(state === "character" ? [5, 4] : []);
  ctx.lineWidth = 4; ctx.strokeStyle = "rgba(0,0,0,.6)"; path();
  ctx.lineWidth = 2; ctx.strokeStyle = colour; path();
  ctx.setLineDash([]);
}

function ticks(ctx, x, y, radius, colour) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = 2.5;
  ctx.beginPath();
  for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
    ctx.moveTo(x + dx * (radius + 2), y + dy * (radius + 2));
    ctx.lineTo(x + dx * (radius + 10), y + dy * (radius + 10));
  }
  ctx.stroke();
}

function label(ctx, text, x, y, colour) {
  ctx.textBaseline = "top";
  ctx.lineWidth = 3.5;
  ctx.strokeStyle = "rgba(0,0,0,.8)";
  ctx.lineJoin = "round";
  ctx.strokeText(text, x, y);
  ctx.fillStyle = colour;
  ctx.fillText(text, x, y);
}

function drawBar(root, data, k) {
  const steps = data.units === "in" ? [1.5875, 3.175, 6.35, 12.7, 25.4, 152.4, 304.8, 914.4] : [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];
  const pxPerMm = k / data.mm_per_px;
  const length = steps.find((mm) => mm * pxPerMm >= 60) ?? steps[steps.length - 1];
  const words = data.units === "in" ? { 1.5875: '1/16"', 3.175: '1/8"', 6.35: '1/4"', 12.7: '1/2"', 25.4: '1"', 152.4: '6"', 304.8: "1 ft", 914.4: "3 ft" }[length] : `${length} mm`;
  const bar = root.querySelector(".bar");
  bar.style.width = `${length * pxPerMm}px`;
  bar.textContent = words;
}

function prepare(root, state) {
  const zoom = (by) => { state.viewer?.viewport.zoomBy(by); state.viewer?.viewport.applyConstraints(); };
  root.querySelector(".in").addEventListener("click", () => zoom(1.8));
  root.querySelector(".out").addEventListener("click", () => zoom(1 / 1.8));
  root.querySelector(".whole").addEventListener("click", () => state.viewer?.viewport.goHome());
  root.querySelector(".one").addEventListener("click", () => state.viewer?.viewport.zoomTo(state.viewer.viewport.imageToViewportZoom(1)));
  const step = (by) => {
    const pits = state.data.pits;
    if (!pits.length) return;
    const at = pits.findIndex((p) => p[0] === state.data.selected);
    const next = pits[at < 0 ? 0 : (at + by + pits.length) % pits.length];
    state.component.setTriggerValue("tapped", { kind: "pits", number: next[0] });
  };
  root.querySelector(".next").addEventListener("click", () => step(1));
  root.querySelector(".before").addEventListener("click", () => step(-1));
}

// Shows the photo; the person taps the slab's four corners and puts the lamp where it stood.
// Everything is told in pixels of the whole photo and degrees clockwise from its top.
const NAMES = ["back left", "back right", "front right", "front left"];
const LENS_PX = 150;
const states = new WeakMap();

export default function (component) {
  const { data, parentElement } = component;
  let state = states.get(parentElement);
  if (!state) {
    state = build(parentElement);
    states.set(parentElement, state);
  }
  state.component = component;
  if (state.src !== data.src) {
    state.src = data.src;
    state.photo.src = data.src;
  }
  // What the server says counts unless the person has moved something since it was asked.
  const told = JSON.stringify([data.src, data.corners, data.lamp_deg]);
  if (told !== state.told) {
    state.told = told;
    state.corners = data.corners.map((corner) => [...corner]);
    state.lamp = data.lamp_deg;
  }
  state.data = data;
  state.draw();
}

function build(root) {
  const state = { corners: [], lamp: null, told: "", src: "" };
  const find = (selector) => root.querySelector(selector);
  const stage = find(".stage"), frame = find(".frame"), lens = find(".lens");
  state.photo = find("img");
  state.photo.addEventListener("load", () => state.draw());
  const share = () => state.data.cols / state.photo.clientWidth;

  function tell() {
    const corners = state.corners.length === 4 ? state.corners : [];
    state.component.setStateValue("told", { corners, lamp_deg: state.lamp });
  }
  function place(event) {
    const box = state.photo.getBoundingClientRect();
    const clamp = (value, most) => Math.min(Math.max(value, 0), most);
    return [clamp((event.clientX - box.left) * share(), state.data.cols - 1),
            clamp((event.clientY - box.top) * share(), state.data.rows - 1)];
  }
  function showLens(at) {
    lens.hidden = !at;
    if (!at) return;
    const zoom = 2, k = state.photo.naturalWidth / state.data.cols;
    const ctx = lens.getContext("2d"), side = LENS_PX / zoom;
    ctx.imageSmoothingEnabled = false;
    ctx.fillStyle = "#808080";
    ctx.fillRect(0, 0, LENS_PX, LENS_PX);
    ctx.drawImage(state.photo, at[0] * k - side / 2, at[1] * k - side / 2, side, side, 0, 0, LENS_PX, LENS_PX);
    ctx.lineWidth = 3; ctx.strokeStyle = "#000"; cross(ctx);
    ctx.lineWidth = 1.4; ctx.strokeStyle = "#ffde42"; cross(ctx);
    const isLeft = at[0] > state.data.cols / 2;
    lens.style.left = isLeft ? "8px" : "auto";
    lens.style.right = isLeft ? "auto" : "8px";
    lens.style.top = at[1] > state.data.rows / 2 ? "8px" : "auto";
    lens.style.bottom = at[1] > state.data.rows / 2 ? "auto" : "8px";
  }
  function cross(ctx) {
    const c = LENS_PX / 2;
    ctx.beginPath();
    ctx.moveTo(c, 0); ctx.lineTo(c, c - 8); ctx.moveTo(c, c + 8); ctx.lineTo(c, LENS_PX);
    ctx.moveTo(0, c); ctx.lineTo(c - 8, c); ctx.moveTo(c + 8, c); ctx.lineTo(LENS_PX, c);
    ctx.stroke();
  }

  // A tap on the photo places the next corner; it can be dragged before the finger is lifted.
  let moving = -1;
  frame.addEventListener("pointerdown", (event) => {
    if (!state.data.is_pointing || event.button > 0) return;
    const handle = event.target.closest(".corner");
    if (!handle && state.corners.length >= 4) return;
    event.preventDefault();
    frame.setPointerCapture(event.pointerId);
    moving = handle ? Number(handle.dataset.place) : state.corners.length;
    if (!handle) state.corners.push(place(event));
    showLens(state.corners[moving]);
    state.draw();
  });
  frame.addEventListener("pointermove", (event) => {
    if (moving < 0) return;
    state.corners[moving] = place(event);
    showLens(state.corners[moving]);
    state.draw();
  });
  const lift = () => {
    if (moving < 0) return;
    moving = -1;
    showLens(null);
    state.draw();
    if (state.corners.length === 4) tell();
  };
  frame.addEventListener("pointerup", lift);
  frame.addEventListener("pointercancel", lift);

  for (let i = 0; i < 4; i++) {
    const handle = document.createElement("button");
    handle.type = "button";
    handle.className = "corner";
    handle.dataset.place = i;
    handle.textContent = i + 1;
    handle.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 20 : 1;
      const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (!by) return;
      event.preventDefault();
      const [x, y] = state.corners[i];
      state.corners[i] = [x + by[0], y + by[1]];
      showLens(state.corners[i]);
      state.draw();
      clearTimeout(state.later);
      state.later = setTimeout(() => { showLens(null); tell(); }, 700);
    });
    frame.append(handle);
  }

  // The lamp runs around the picture; its side is the direction from the middle.
  const lamp = find(".lamp");
  let isLampMoving = false;
  const setLamp = (deg, isTold) => {
    state.lamp = ((Math.round(deg / 5) * 5) % 360 + 360) % 360;
    state.draw();
    if (isTold) tell();
  };
  const lampDeg = (event) => {
    const box = state.photo.getBoundingClientRect();
    const dx = event.clientX - box.left - box.width / 2, dy = event.clientY - box.top - box.height / 2;
    return (Math.atan2(dx, -dy) * 180) / Math.PI;
  };
  lamp.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    lamp.focus();
    lamp.setPointerCapture(event.pointerId);
    isLampMoving = true;
  });
  lamp.addEventListener("pointermove", (event) => isLampMoving && setLamp(lampDeg(event), false));
  lamp.addEventListener("pointerup", (event) => { isLampMoving = false; setLamp(lampDeg(event), true); });
  lamp.addEventListener("keydown", (event) => {
    const by = { ArrowLeft: -5, ArrowDown: -5, ArrowRight: 5, ArrowUp: 5 }[event.key];
    if (!by) return;
    event.preventDefault();
    setLamp((state.lamp ?? 0) + by, false);
    clearTimeout(state.later);
    state.later = setTimeout(tell, 500);
  });
  stage.addEventListener("pointerup", (event) => {
    // A tap on the margin puts the lamp there.
    if (event.target === stage && state.data.has_lamp) setLamp(lampDeg(event), true);
  });

  find(".again").addEventListener("click", () => { state.corners = []; state.draw(); tell(); });
  find(".turn").addEventListener("click", () => {
    state.corners = [...state.corners.slice(1), state.corners[0]];
    state.draw();
    tell();
  });
  find(".no-lamp").addEventListener("click", () => { state.lamp = null; state.draw(); tell(); });

  state.draw = () => {
    const { photo, data, corners } = state;
    if (!data || !photo.clientWidth) return;
    const k = 1 / share(), w = photo.clientWidth, h = photo.clientHeight;
    const points = corners.map(([x, y]) => [x * k, y * k]);
    frame.querySelectorAll(".corner").forEach((handle, i) => {
      handle.hidden = i >= points.length || !data.is_pointing;
      if (i >= points.length) return;
      handle.style.left = `${points[i][0]}px`;
      handle.style.top = `${points[i][1]}px`;
      handle.setAttribute("aria-label", `Corner ${NAMES[i]}: ${Math.round(corners[i][0])}, ${Math.round(corners[i][1])}. Arrow keys move it.`);
    });
    const svg = find("svg.lines");
    svg.setAttribute("viewBox", `0 0 ${w} ${h}`);
    const path = points.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
    const front = points.length === 4 ? [points[3], points[2]] : [];
    svg.innerHTML = `<polyline class="case" points="${path}${points.length === 4 ? " " + path.split(" ")[0] : ""}"/>` +
      `<polyline class="edge" points="${path}${points.length === 4 ? " " + path.split(" ")[0] : ""}"/>` +
      (front.length ? `<polyline class="front" points="${front.map((p) => p.join(",")).join(" ")}"/>` : "");
    const label = find(".front-label");
    label.hidden = !front.length;
    if (front.length) {
      label.style.left = `${(front[0][0] + front[1][0]) / 2}px`;
      label.style.top = `${(front[0][1] + front[1][1]) / 2}px`;
    }
    drawLamp(w, h);
    const isDone = corners.length === 4;
    find(".task").textContent = !data.is_pointing ? ""
      : isDone ? "Drag a corner to mend it." : `Tap the ${NAMES[corners.length]} corner of the slab (${corners.length + 1} of 4).`;
    find(".again").hidden = !data.is_pointing || !corners.length;
    find(".turn").hidden = !data.is_pointing || !isDone;
    find(".no-lamp").hidden = !data.has_lamp || state.lamp === null;
    frame.classList.toggle("placing", data.is_pointing && !isDone);
  };

  function drawLamp(w, h) {
    const isKnown = state.lamp !== null && state.lamp !== undefined;
    lamp.hidden = !state.data.has_lamp;
    const turn = ((isKnown ? state.lamp : 0) * Math.PI) / 180;
    const [dx, dy] = [Math.sin(turn), -Math.cos(turn)];
    const reach = Math.min(w / 2 / Math.max(Math.abs(dx), 1e-9), h / 2 / Math.max(Math.abs(dy), 1e-9)) + 28;
    const at = isKnown ? [w / 2 + dx * reach, h / 2 + dy * reach] : [w / 2, -28];
    const most = [[-28, w + 28], [-28, h + 28]];
    lamp.style.left = `${Math.min(Math.max(at[0], most[0][0]), most[0][1])}px`;
    lamp.style.top = `${Math.min(Math.max(at[1], most[1][0]), most[1][1])}px`;
    lamp.style.setProperty("--turn", `${isKnown ? state.lamp : 0}deg`);
    lamp.classList.toggle("known", isKnown);
    lamp.setAttribute("aria-valuenow", isKnown ? state.lamp : 0);
    lamp.setAttribute("aria-valuetext", isKnown ? `light from ${state.lamp} degrees, clockwise from the top of the photo` : "not said yet");
    find(".lamp-task").textContent = isKnown || !state.data.has_lamp ? "" : "Tap the margin where the lamp stood, or drag the lamp there.";
  }
  new ResizeObserver(() => state.draw()).observe(state.photo);
  return state;
}

// Sends one photo straight to the server's disk and says how far it is; nothing is kept in memory there.
const states = new WeakMap();

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  let state = states.get(parentElement);
  if (!state) {
    state = { request: null };
    states.set(parentElement, state);
    parentElement.querySelector("input").addEventListener("change", (event) => {
      const file = event.target.files[0];
      if (file) send(file);
      event.target.value = "";
    });
    parentElement.querySelector(".stop").addEventListener("click", () => state.request?.abort());
  }
  state.data = data;
  state.setTriggerValue = setTriggerValue;
  parentElement.querySelector(".words").textContent = data.label;
  parentElement.querySelector("input").accept = data.accept;
  parentElement.querySelector("input").setAttribute("aria-label", data.label);
  parentElement.querySelector("label").classList.toggle("quiet", data.quiet);

  function send(file) {
    const request = new XMLHttpRequest();
    state.request = request;
    const address = `/rl/upload/${state.data.uid}/${state.data.kind}?name=${encodeURIComponent(file.name)}`;
    request.open("POST", address);
    request.setRequestHeader("X-Rakelight", "1");
    request.upload.onprogress = (event) => show(`Sending ${file.name}`, event.loaded / event.total);
    request.onload = () => {
      const answer = JSON.parse(request.responseText || "{}");
      if (request.status === 200) {
        show("Kept.", 1);
        state.setTriggerValue("kept", answer.sha256);
        setTimeout(() => show("", null), 500);
      } else {
        show(answer.sentence || "The photo could not be kept; try again.", null);
      }
    };
    request.onerror = () => show("The connection broke. Nothing is lost: choose the photo again.", null);
    request.onabort = () => show("Stopped.", null);
    show(`Sending ${file.name}`, 0);
    request.send(file);
  }

  function show(words, share) {
    const bar = parentElement.querySelector("progress");
    parentElement.querySelector(".told").textContent = words;
    parentElement.querySelector(".going").hidden = share === null;
    if (share !== null) bar.value = share;
  }
}

// What somebody chose in this browser: language, light or dark, sounds. Kept here, and nowhere else.

const NAME = "gaugepost";
const BEGINNING = { language: null, scheme: "system", sounds: false, paper: null };

function read() {
  try {
    return { ...BEGINNING, ...JSON.parse(localStorage.getItem(NAME) ?? "{}") };
  } catch {
    return { ...BEGINNING };
  }
}

let kept = read();

export function choice(name) {
  return kept[name];
}

export function choose(name, value) {
  kept = { ...kept, [name]: value };
  try {
    localStorage.setItem(NAME, JSON.stringify(kept));
  } catch { /* a browser that keeps nothing: it holds until the page is closed */ }
  if (name === "scheme") paint();
}

export function paint() {
  if (kept.scheme === "light" || kept.scheme === "dark") document.documentElement.dataset.scheme = kept.scheme;
  else delete document.documentElement.dataset.scheme;
}

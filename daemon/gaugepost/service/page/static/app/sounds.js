// A sound for each word, told apart by melody and length, not by pitch alone. Off until somebody wants them.

import { choice } from "../common/choices.js";

const MELODIES = {
  "in-limits": [[880, 0.12]],
  accepted: [[880, 0.08], [880, 0.08]],
  oversize: [[330, 0.16], [440, 0.16], [587, 0.28]],
  undersize: [[587, 0.16], [440, 0.16], [330, 0.28]],
  undecided: [[523, 0.1], [494, 0.1], [523, 0.1], [494, 0.1]],
  "not-judged": [[220, 0.5]],
  taken: [[660, 0.05]],
};
const PAUSE_S = 0.05;

let context = null;

// A browser plays nothing before somebody touched the page: the first touch lets it.
export function ready() {
  for (const kind of ["pointerdown", "keydown"]) {
    document.addEventListener(kind, () => choice("sounds") && awake(), { passive: true });
  }
}

function awake() {
  context ??= new AudioContext();
  if (context.state === "suspended") void context.resume();
  return context;
}

export function sound(word) {
  if (!choice("sounds") || !(word in MELODIES)) return;
  const audio = awake();
  if (audio.state !== "running") return;
  let at = audio.currentTime + 0.01;
  for (const [hertz, seconds] of MELODIES[word]) {
    const tone = audio.createOscillator();
    const volume = audio.createGain();
    tone.type = "triangle";
    tone.frequency.value = hertz;
    volume.gain.setValueAtTime(0, at);
    volume.gain.linearRampToValueAtTime(0.25, at + 0.01);
    volume.gain.setValueAtTime(0.25, at + seconds - 0.02);
    volume.gain.linearRampToValueAtTime(0, at + seconds);
    tone.connect(volume).connect(audio.destination);
    tone.start(at);
    tone.stop(at + seconds);
    at += seconds + PAUSE_S;
  }
  document.documentElement.dataset.sounded = word;
}

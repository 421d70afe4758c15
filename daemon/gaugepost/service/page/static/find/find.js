// The screen at which a gauge is found, listened to, described and bound to the station. One thing at a time: the devices, or
// one of them that is listened to, which is a lesson of the service's and goes on when this page is opened again.

import { get } from "../common/ask.js";
import { h } from "../common/dom.js";
import { t } from "../common/words.js";
import { bound } from "./binding.js";
import { devices } from "./devices.js";
import { listening, over } from "./listening.js";

export function open(place, station) {
  const stage = h("div", { class: "find" });
  place.append(h("h1", {}, t("find.title")), stage);
  let part = null;

  function turn(address, make) {
    const led = part !== null;
    part?.close();
    stage.replaceChildren();
    history.replaceState(null, "", address);
    part = make();
    const title = stage.querySelector("h2");
    if (led && title) {
      title.focus();
      station.say(title.textContent);
    }
  }

  const acts = {
    say: station.say,
    list: (problem = null) => turn("#find", () => devices(stage, acts, problem)),
    listen: (lesson) => turn(`#find/${lesson.lesson}`, () => listening(stage, acts, lesson)),
    bound: (about) => turn("#find", () => bound(stage, acts, about)),
  };

  const named = location.hash.split("/")[1];
  if (named) {
    get(`/lessons/${encodeURIComponent(named)}`).then((lesson) => place.contains(stage) && acts.listen(lesson), (error) => place.contains(stage) && acts.list(over(error)));
  } else acts.list();
  return {
    refresh() {},
    close() {
      part?.close();
    },
  };
}

// What is plugged in now, as it comes and goes: one of it is chosen, and listened to.

import { get, may, send, who } from "../common/ask.js";
import { h, put } from "../common/dom.js";
import { told } from "../common/told.js";
import { t, word } from "../common/words.js";
import { tell } from "../app/dialogs.js";
import { latest } from "../app/latest.js";

const LOOK_MS = 3_000;
const KEPT_S = 120;
const ORDER = ["serial_port", "bluetooth_le", "hid_report", "keyboard_wedge"]; // a keyboard is most often nobody's gauge

export function devices(place, acts, problem) {
  const said = h("p", { class: "problem", role: "alert" });
  const going = h("div", { class: "find-going" });
  const list = h("ul", { class: "find-devices" });
  const own = h("ul", { class: "find-devices" });
  const others = h("details", { hidden: true }, h("summary", {}, t("find.own_ports")), own);
  const linked = h("ul", { class: "find-devices" });
  const rest = h("details", { hidden: true }, h("summary", {}, t("find.links")), linked);
  const problems = h("ul", { class: "soft" });
  const radio = h("button", { type: "button", onclick: () => void nearby() }, t("find.radio"));
  let heard = [];
  if (problem) tell(said, problem);

  place.append(
    h("h2", { tabindex: "-1" }, t("find.which")), h("p", {}, t("find.plug")), may("set-up") ? "" : notAllowed(), said, going, list,
    h("p", { class: "doing" }, radio, " ", h("span", { class: "soft" }, t("find.radio_note"))), others, rest, elsewhere(listen), problems);

  // Begins to listen to a device, or to a link that the station has already.
  async function listen(asked, button) {
    put(said);
    if (button) button.disabled = true;
    try {
      acts.listen(await send("POST", "/lessons", { ...asked, keep_s: KEPT_S }));
    } catch (error) {
      tell(said, error);
      if (button) button.disabled = false;
    }
  }

  async function nearby() {
    put(said);
    radio.disabled = true;
    put(radio, t("find.radio_goes"));
    try {
      const answer = await send("POST", "/devices/nearby");
      heard = answer.devices;
      if (answer.problems.length) put(said, answer.problems.map((each) => h("span", {}, told(each.problem), each.hint ? ["; ", told(each.hint)] : [])));
      else if (!heard.length) put(said, t("find.radio_none"));
    } catch (error) {
      tell(said, error);
    }
    radio.disabled = false;
    put(radio, t("find.radio"));
    refresh();
  }

  const refresh = latest(async () => {
    let answer;
    let lessons;
    let links;
    try {
      [answer, { lessons }, { links }] = await Promise.all([get("/devices"), get("/lessons"), get("/links")]);
    } catch {
      return; // the notice says that the service is away
    }
    const there = [...answer.devices, ...heard.filter((each) => !answer.devices.some((other) => other.place === each.place))];
    there.sort((one, other) => ORDER.indexOf(one.kind) - ORDER.indexOf(other.kind));
    const isOwn = (each) => each.kind === "serial_port" && "device" in each.settings;
    put(list, there.some((each) => !isOwn(each)) ? there.filter((each) => !isOwn(each)).map(card) : h("li", {}, t("find.none")));
    put(own, there.filter(isOwn).map(card));
    const unlisted = links.filter((each) => each.state !== "away" && !there.some((device) => device.link === each.link));
    put(linked, unlisted.map(linkCard));
    rest.hidden = !unlisted.length;
    others.hidden = !there.some(isOwn);
    put(problems, answer.problems.filter((each) => each.kind !== "bluetooth_le").map((each) => h("li", {}, `${word("device", each.kind)}: `, told(each.problem), each.hint ? ["; ", told(each.hint)] : [])));
    put(going, lessons.map((each) => h("p", { class: "sheet" }, t("find.goes_on", { what: each.link ?? each.description }), " ",
      h("button", { type: "button", onclick: () => acts.listen(each) }, t("find.go_on")), " ",
      h("button", { type: "button", onclick: () => void end(each) }, t("find.end")))));
  }, 500);

  async function end(lesson) {
    try {
      await send("DELETE", `/lessons/${lesson.lesson}`);
    } catch (error) {
      tell(said, error);
    }
    refresh();
  }

  function card(device) {
    const name = device.name || t("find.no_name");
    const link = device.link;
    const asked = link ? { link } : { kind: device.kind, settings: device.settings };
    return h("li", { class: "sheet find-device" },
      h("h3", {}, name), h("p", { class: "soft" }, `${word("device", device.kind)} · `, h("code", {}, device.place)),
      device.kind === "keyboard_wedge" ? h("p", { class: "is-open" }, t("find.keyboard")) : null,
      link ? h("p", {}, device.serves.length ? t("find.serves", { link, what: device.serves.join(", ") }) : t("find.has_link", { link })) : null,
      !link && device.holders.length ? h("p", { class: "is-open" }, t("find.held", { by: device.holders.join(", ") })) : null,
      device.refused ? h("p", { class: "problem" }, told(device.refused), ": ", told(device.remedy)) : null,
      device.kind === "bluetooth_le" && device.notes.length ? h("p", { class: "soft", lang: "en" }, device.notes.join(", ")) : null,
      device.lesson ? null : h("button", { type: "button", class: link ? null : "main", "aria-label": `${t(link ? "find.again" : "find.listen")}: ${name}`,
        onclick: (event) => void listen(asked, event.currentTarget) }, t(link ? "find.again" : "find.listen")));
  }

  function linkCard(link) {
    return h("li", { class: "sheet find-device" }, h("h3", {}, link.link), h("p", { class: "soft" }, link.description ?? word("link", link.state)),
      h("button", { type: "button", "aria-label": `${t("find.again")}: ${link.link}`, onclick: (event) => void listen({ link: link.link }, event.currentTarget) }, t("find.again")));
  }

  refresh();
  const timer = setInterval(refresh, LOOK_MS);
  return {
    close() {
      clearInterval(timer);
      refresh.end();
    },
  };
}

function notAllowed() {
  return h("p", { class: "sheet is-open" }, t("setup.not_allowed"), " ", who().person ? null : h("a", { href: "/sign-in#find" }, t("sign_in.title")));
}

// A port that no list shows: by its path, or on the network.
function elsewhere(listen) {
  const form = h("form", { class: "find-form" },
    h("label", { class: "field" }, t("find.port"), h("input", { name: "port", type: "text", required: true, maxlength: "200", autocomplete: "off", autocapitalize: "none", spellcheck: "false" })),
    h("p", { class: "soft" }, t("find.port_note", { path: "/dev/ttyUSB0", address: ["rfc2217", "//10.0.0.5:4001"].join(":") })), h("button", {}, t("find.listen")));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const port = new FormData(form).get("port").trim();
    void listen({ kind: "serial_port", settings: port.startsWith("/") ? { device: port } : { url: port } });
  });
  return h("details", {}, h("summary", {}, t("find.elsewhere")), form);
}

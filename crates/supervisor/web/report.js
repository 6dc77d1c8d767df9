// Shown while there is no report: as soon as there is one, it is offered.

import { byId, el } from "./dom.js";
import { frame } from "./frame.js";

frame().onSnapshot((s) => {
  if (s.report && !document.getElementById("report-link")) {
    byId("report-none").replaceChildren(el("a", { id: "report-link", href: s.report }, "Open the last report"));
  }
});

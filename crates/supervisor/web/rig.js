// The rig: its machines and outputs, live. Nothing can be changed from here yet.

import { byId, el, keyed, say, show } from "./dom.js";
import { frame } from "./frame.js";
import { machines, switchStatus } from "./machines.js";

const link = frame();
machines(link, byId("machine-list"), null);
link.onSnapshot((s) => {
  switchStatus(s.switch);
  const patches = (s.devices ?? []).flatMap((d) => [
    ...(d.channels.length === 0 ? [`${d.name}: nothing was heard for it yet`] : d.channels.map((c) => `${d.name}, ${c.text}`)),
    ...d.alarms.map((a) => a.text),
  ]);
  show(byId("patches-none"), patches.length === 0);
  keyed(byId("patches"), patches, (l) => l, () => el("li"), say);
  const lines = s.parity ?? [];
  show(byId("folders-none"), lines.length === 0);
  keyed(byId("folders"), lines, (l) => `${l.folder} ${l.machine} ${l.verdict === "stale"}`, () => el("li"), (node, l) => say(node, l.text));
});

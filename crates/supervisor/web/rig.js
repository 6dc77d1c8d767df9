// The rig: its machines and outputs, live. Nothing can be changed from here yet.

import { byId } from "./dom.js";
import { frame } from "./frame.js";
import { machines, switchStatus } from "./machines.js";

const link = frame();
machines(link, byId("machine-list"), null);
link.onSnapshot((s) => switchStatus(s.switch));

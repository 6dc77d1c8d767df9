// The snapshot as the page reads it. Only for the type checker; the supervisor's snapshot.rs is what rules.
export type Tone = "good" | "abnormal" | "danger" | "action" | "neutral";
export type Reading<T> = { value: T; as_of: number; expires: number };
export type Takeover = {
  to: string; possible: boolean; jump_ms: number | null; jump_samples: number | null; level_db: number | null;
  text: string; forced_text: string; expires_ns: number;
};
export type Song = {
  number: number; name: string; at_ns: number; left_ns: number | null; timecode: string | null; bar: string | null; rolling: boolean;
};
export type OffsetView = {
  of: string; against: string; now: Reading<{ value_ms: number; bound_ms: number }> | null; baseline_ms: number | null;
  limits: { warning_ms: number; changeover_ms: number; dead_air_ms: number };
  drift: { ppm: number; uncertainty_ppm: number } | null;
  forecast: { limit_ms: number; in_ns: number; earliest_ns?: number; latest_ns?: number | null; text: string } | null; text: string;
  hints?: { code: string; text: string }[];
};
export type Level = { name: string; peak_dbfs: number | null; rms_dbfs: number | null };
export type HeardChannel = {
  name: string;
  meters?: Reading<{ true_peak_dbtp: number | null; highest_dbtp: number | null; clipped: number; since_wall_ns: number; last_clip_wall_ns: number | null; dc: number }>;
  against?: { code: string; tone: Tone; text: string; lag_ms: number | null; level_db: number | null; compared_ns: number | null; compared_wall_ns: number | null; expires_ns: number };
};
export type MachineView = {
  letter: string; name: string; role: string; fitness: string; reasons: { code: string; text: string }[]; out_of_service: string | null;
  link: { heard: string; paths: { name: string; alive: boolean; round_trip_ms: number | null }[]; beats_lost: number; outside?: boolean };
  player: string; audio: string; sources: { name: string; state: string; position: string | null }[];
  levels: Reading<Level[]> | null;
  clock: { state: string; bound_ms: number | null; offset_ms: number | null; skew_ppm: number | null };
  channels?: HeardChannel[];
  host: { on_battery: boolean; hot: boolean; disk_low: boolean; cpu_high: boolean; text: string };
};
export type SwitchStatus = {
  text: string; conflict: boolean; confirmed_at_ns: number | null; asked: string | null;
  outputs: { name: string; state: string; text: string }[];
};
export type AlarmView = {
  id: number; code: string; machine: string | null; priority: "low" | "medium" | "high";
  state: "unacknowledged" | "acknowledged" | "returned-to-normal" | "shelved"; text: string; advice: string;
  since_ns: number; since_wall_ns: number; acknowledged_by: string | null; shelved_until_ns: number | null;
};
export type EventView = { id: number; at_ns: number; wall_ns: number; code: string; tone: Tone; text: string; by: string | null };
export type Rule = { id: string; holds: boolean; text: string };
export type Snapshot = {
  format: number; epoch: number; sequence: number; now_ns: number; wall_ns: number; title: string;
  mode: "observe" | "propose" | "act"; on_air: string | null;
  latched: { since_ns: number; text: string; release_offered: boolean } | null;
  headline: { code: string; text: string; tone: Tone }; takeovers: Takeover[]; song: Reading<Song> | null;
  next: { number: number; name: string; start: string } | null; offsets: OffsetView[]; machines: MachineView[];
  switch: SwitchStatus; alarms: AlarmView[]; proposal: { id: number; to: string; text: string } | null;
  events: EventView[]; rules: Rule[]; report: string | null; set?: SetEntry[]; songs?: string[]; parity?: ParityLine[];
  devices?: DeviceView[]; buttons?: ButtonView[]; cue_lights?: { name: string; lit: boolean; told: boolean; text: string }[]; alarm_sound?: { ready: boolean; text: string } | null; code_cut?: { at_ns: number; to: string; lost: number; repeated: number; text: string } | null;
};
export type SetEntry = { place: number; number: number; name: string; start: string; state: "played" | "now" | "next" | "to-come" | "skipped"; added: boolean };
export type DeviceView = {
  name: string; gate: "switch" | "merger" | "supervisor"; importance: "low" | "medium" | "high"; chase: boolean; chased_ns: number | null;
  channels: {
    channel: number; bank_msb: number | null; bank_lsb: number | null; program: number | null; name: string | null;
    since_ns: number | null; expected: number | null; notes_held: number; text: string;
  }[];
  alarms: { code: string; text: string; since_ns: number }[];
};
export type ParityLine = { folder: string; machine: string; verdict: string; text: string };
export type Mark = { at_ns: number; kind: "step" | "dropout" | "changeover" | "song-start"; machine: string | null; text: string };
export type History = {
  now_ns: number; from_ns: number;
  lines: { against: string; points: { at_ns: number; value_ms: number | null; bound_ms: number | null }[] }[]; marks: Mark[];
};
export type MachineHistory = { machine: string; events: { at_wall_ns: number; kind: string; code: string; text: string }[]; more: boolean };
export type Why = {
  now_ns: number; rules: Rule[]; drifts: { against: string; drift: { ppm: number; uncertainty_ppm: number } | null; hints?: { code: string; text: string }[] }[];
  clocks: { machine: string; clock: MachineView["clock"]; beats_lost: number }[]; switch: SwitchStatus;
};
export type CheckRow = { code: string; title: string; verdict: string; measured: string; limit: string; why: string; mend: string; machines: number[] };
export type CheckView = {
  running: { depth: string; stage: string; ask: string | null; done: number; by: string } | null;
  last: {
    depth: string; at_wall_ns: number; took_ns: number; title: string; rig: string; by: string; outcome: string; text: string;
    rows: CheckRow[]; new: string[]; caution: string;
  } | null;
  valid: boolean; text: string;
};
export type ShowLine = { id: string; title: string; label: string | null; started_wall_ns: number | null; length_ns: number | null; changeovers: number; error: string | null };
export type ShowFigures = {
  held: string; sentence: string; songs: number; fit: number | null; alarms: { high: number; medium: number; low: number };
  machines: { letter: string; name: string; id: string; drift_ppm: number | null; alarms: number; dropouts: number }[];
};
export type ButtonView = { name: string; does: "answer" | "changeover" | "forced-changeover" | "release"; place: string; heard: boolean; pressed_ns: number | null };

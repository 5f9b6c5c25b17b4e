// The voice of the page: words on the screen and, after one touch, tones and speech; the screen is kept awake in flight.
const VOICE_MS = 30000, PAUSE_MS = 400;
const RANK = { stop: 3, urgent: 2, unknown: 1, notice: 1 };
const PITCH = { notice: [560], urgent: [820, 560], stop: [980, 700, 980, 700] };
let hears = false, tones = null, toneEnds_s = 0, voiceUntil = 0;
let queue = [], running = null; // what waits, and what sounds
const place = () => document.getElementById("voice");

export const isOn = () => hears;

export function speak(words, severity) {
  place().textContent = words;
  voiceUntil = Date.now() + VOICE_MS;
  if (hears) utter(words, severity);
}

// By severity, then by order; only "stop" cuts in, and what it cut short comes again after it.
function utter(words, severity) {
  queue.push({ words, severity });
  if (severity === "stop" && running && running.severity !== "stop") {
    window.speechSynthesis?.cancel();
    queue.push(running);
    running = null;
  }
  queue.sort((one, other) => (RANK[other.severity] ?? 0) - (RANK[one.severity] ?? 0));
  if (!running) next();
}

function next() {
  running = queue.shift() ?? null;
  if (!running) return;
  const mine = running, over = () => { if (running === mine) next(); };
  const tones_ms = beep(mine.severity) + PAUSE_MS;
  setTimeout(() => {
    if (running !== mine) return;
    if (!window.speechSynthesis) { over(); return; }
    const spoken = new SpeechSynthesisUtterance(mine.words);
    spoken.lang = "en";
    spoken.onend = spoken.onerror = over;
    speechSynthesis.speak(spoken);
    setTimeout(over, 6000); // a browser that never reports the end of its speech
  }, tones_ms);
}

// Returns how long the tones last, milliseconds.
function beep(severity) {
  const pitch = PITCH[severity] ?? PITCH.notice;
  if (!tones) return 0;
  const start_s = Math.max(tones.currentTime, toneEnds_s);
  toneEnds_s = start_s + pitch.length * 0.22;
  pitch.forEach((hertz, index) => {
    const at = start_s + index * 0.22, voice = tones.createOscillator(), loud = tones.createGain();
    voice.frequency.value = hertz;
    loud.gain.setValueAtTime(0.0001, at);
    loud.gain.exponentialRampToValueAtTime(0.5, at + 0.02);
    loud.gain.exponentialRampToValueAtTime(0.0001, at + 0.19);
    voice.connect(loud).connect(tones.destination);
    voice.start(at);
    voice.stop(at + 0.2);
  });
  return 1000 * (toneEnds_s - tones.currentTime);
}

export function clearVoice() {
  if (Date.now() > voiceUntil && place().textContent) place().textContent = "";
}

export function soundButton(button, ask, note) {
  button.addEventListener("click", async () => {
    hears = !hears;
    button.setAttribute("aria-pressed", hears);
    button.textContent = hears ? "Sound: on" : "Sound: off";
    dispatchEvent(new Event("sound"));
    if (!hears) { queue = []; running = null; window.speechSynthesis?.cancel(); return; }
    tones ??= new AudioContext();
    tones.resume();
    utter("Sound is on.", "notice");
    if (!(await ask("Did you hear a tone and words?", "Yes", "No"))) note("Turn the volume up and the silent switch off. Then touch Sound off and on again.");
  });
}

// --- the screen ---

let lock = null, film = null;

// Keeps the screen awake by the Screen Wake Lock; where the context is not secure, by a muted film that plays on.
export async function keepAwake(wanted) {
  if (!wanted) { lock?.release(); lock = null; film?.pause(); film = null; return; }
  if (document.hidden) return;
  if (navigator.wakeLock) {
    if (lock && !lock.released) return;
    lock = await navigator.wakeLock.request("screen").catch(() => null);
  } else if (!film) {
    const canvas = Object.assign(document.createElement("canvas"), { width: 2, height: 2 });
    const ink = canvas.getContext("2d");
    setInterval(() => ink.fillRect(0, 0, 2, 2), 1000);
    film = Object.assign(document.createElement("video"), { muted: true, playsInline: true, srcObject: canvas.captureStream(1) });
    film.play().catch(() => { film = null; });
  }
}

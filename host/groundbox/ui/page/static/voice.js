// The voice of the page: words on the screen and, after one touch, tones and speech.
const VOICE_MS = 30000;
let hears = false, tones = null, toneEnds_s = 0, voiceUntil = 0;
const place = () => document.getElementById("voice");

export const isOn = () => hears;

export function speak(words, severity) {
  place().textContent = words;
  voiceUntil = Date.now() + VOICE_MS;
  if (hears) utter(words, severity);
}

function utter(sentence, severity) {
  beep(severity);
  if (!window.speechSynthesis) return;
  if (severity === "stop") speechSynthesis.cancel();
  const words = new SpeechSynthesisUtterance(sentence);
  words.lang = "en";
  speechSynthesis.speak(words);
}

function beep(severity) {
  if (!tones) return;
  const pitch = { notice: [560], urgent: [820, 560], stop: [980, 700, 980, 700] }[severity] ?? [560];
  const start_s = Math.max(tones.currentTime, toneEnds_s); // after the tones of the cue before
  toneEnds_s = start_s + pitch.length * 0.22;
  pitch.forEach((hertz, index) => {
    const at = start_s + index * 0.22, voice = tones.createOscillator(), loud = tones.createGain();
    voice.frequency.value = hertz;
    loud.gain.setValueAtTime(0.0001, at);
    loud.gain.exponentialRampToValueAtTime(0.4, at + 0.02);
    loud.gain.exponentialRampToValueAtTime(0.0001, at + 0.19);
    voice.connect(loud).connect(tones.destination);
    voice.start(at);
    voice.stop(at + 0.2);
  });
}

export function clearVoice() {
  if (Date.now() > voiceUntil) place().textContent = "";
}

export function soundButton(button) {
  button.addEventListener("click", () => {
    hears = !hears;
    button.setAttribute("aria-pressed", hears);
    button.textContent = hears ? "Sound: on" : "Sound: off";
    if (!hears) { window.speechSynthesis?.cancel(); return; }
    tones ??= new AudioContext();
    tones.resume();
    utter("Sound is on.", "notice");
  });
}

// A tone while a danger is in force, as the terminal rings its bell: who stands at the bench may not look at the screen.

const EVERY_MS = 2000;
const TONE_HZ = 880;
const TONE_S = 0.35;
const LOUDNESS = 0.3;

export class Alarm {
  /** A browser lets a page sound only after somebody has pressed something on it. */
  allow() {
    if (!navigator.userActivation?.hasBeenActive) return;
    this.context ??= new AudioContext();
    this.context.resume().catch(() => {});
  }

  sound(isDanger) {
    if (!isDanger || !this.context || Date.now() - (this.at ?? 0) < EVERY_MS) return;
    this.at = Date.now();
    const tone = this.context.createOscillator();
    const volume = this.context.createGain();
    volume.gain.value = LOUDNESS;
    tone.frequency.value = TONE_HZ;
    tone.connect(volume).connect(this.context.destination);
    tone.start();
    tone.stop(this.context.currentTime + TONE_S);
  }
}

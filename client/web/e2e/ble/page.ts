// The least page that links a machine and a strap: what it hears is kept for a test to look at.
import type { Kind } from '../../src/machine/link';
import { browser, linking, type HeardBeat, type HeardSample } from '../../src/machine/radio';
import { words } from '../../src/machine/words';

declare global {
  interface Window {
    heard: { samples: HeardSample[]; beats: HeardBeat[]; shown: string[] };
  }
}

window.heard = { samples: [], beats: [], shown: [] };

for (const kind of ['rower', 'strap'] satisfies readonly Kind[]) {
  const says = document.getElementById(`${kind}-says`);
  const show = (text: string) => {
    if (says !== null) says.textContent = text;
  };
  const link = linking(kind, {
    ...browser(),
    onSession: (ms) => ms,
    changed: (state) => {
      window.heard.shown.push(words(state).short);
      show(words(state).says);
    },
    sample: (sample) => window.heard.samples.push(sample),
    beat: (beat) => window.heard.beats.push(beat),
  });
  show(words(link.state()).says);
  document.getElementById(kind)?.addEventListener('click', () => link.ask());
}

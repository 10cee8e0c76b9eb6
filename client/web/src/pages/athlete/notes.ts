// What the athlete reads about this device and this browser; empty while there is nothing to do.
import { athletePrepare as texts } from '#texts';
import type { Awake } from './awake.svelte';
import type { Shell } from './shell';

export function awakeText(is: Awake): string {
  return is === 'asked' || is === 'on' ? '' : texts.awake[is];
}

export function shellText(is: Shell): string {
  return is === 'none' || is === 'refused' ? texts.noShell : '';
}

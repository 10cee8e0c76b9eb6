import { render } from 'svelte/server';
import { expect, test } from 'vitest';
import TargetLine from './TargetLine.svelte';

function drawn(mean: number, before: number | null = null): string {
  return render(TargetLine, { props: { guess: { mean, sd: 1 }, reach: 5, before } }).body;
}

test('who is farther from the line than is drawn has an arrow at the edge in place of the tick, on their own side', () => {
  expect(drawn(4.9)).toContain('class="tick');
  expect(drawn(4.9)).not.toContain('class="arrow');
  for (const [mean, edge] of [[9.2, '99%'], [-9.2, '1%']] as const) {
    expect(drawn(mean)).toMatch(new RegExp(`<svg[^>]* x="${edge}"`));
    expect(drawn(mean)).toContain('class="arrow');
    expect(drawn(mean)).not.toContain('class="tick');
  }
});

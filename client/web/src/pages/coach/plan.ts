// Plans as people type them: `even`, `fast_start`, `negative_split`, or legs such as `500m@1:55+1200m@2:01`.
import { coach as texts, coachDetail } from '#texts';
import type { Leg, Plan } from '../../protocol/decode';
import { extentText, timeText } from '../../ui/format';
import { readExtent, readTime, type Read } from '../../ui/parse';

/** The plans that have a name. */
const NAMED_PLANS = ['even', 'fast_start', 'negative_split'] as const;

/** Nothing typed means an even plan. */
export function readPlan(typed: string): Read<Plan> {
  const text = typed.trim();
  const name = text === '' ? 'even' : text.toLowerCase().replaceAll(/[\s-]+/g, '_');
  for (const profile of NAMED_PLANS) {
    if (name === profile) return { ok: true, value: { profile } };
  }
  const legs: Leg[] = [];
  for (const part of text.split('+')) {
    const [length = '', pace = ''] = part.split('@');
    const extent = readExtent(length);
    const per500m = readTime(pace.trim().replace(/\/500m?$/, ''));
    if (!extent.ok || !per500m.ok) {
      return { ok: false, says: texts.typed.noPlan(text) };
    }
    legs.push({ length: extent.value, per_500m_ms: per500m.value });
  }
  return { ok: true, value: { profile: 'legs', legs } };
}

/** As it is typed; twenty speeds cannot be typed and are only named. */
export function planText(plan: Plan): string {
  if (plan.profile === 'speeds') return 'own speeds';
  if (plan.profile !== 'legs') return plan.profile;
  return plan.legs.map(({ length, per_500m_ms }) => `${extentText(length)}@${timeText(per_500m_ms, 'if_any')}`).join('+');
}

/** As it is said; an even one need not be mentioned. */
export function planWords(plan: Plan): string {
  switch (plan.profile) {
    case 'even':
      return '';
    case 'fast_start':
    case 'negative_split':
    case 'speeds':
      return coachDetail.plans[plan.profile];
    case 'legs':
      return planText(plan);
    default:
      return plan satisfies never;
  }
}

// How the keys of the desk are described where they are changed.
import { coachKeys as texts } from '#texts';
import { keyName, type Task, type Unfit } from './keys';

/** What a task is called in a sentence. */
export function taskText({ action }: Task): string {
  switch (action.do) {
    case 'call':
      return texts.call[action.place] ?? '';
    case 'card':
      return texts.card[action.place] ?? '';
    case 'all':
      return texts.all;
    case 'behind':
      return texts.behind;
    case 'more':
      return texts.more;
    case 'send_now':
      return texts.sendNow;
    case 'take_back':
      return texts.takeBack;
    default:
      return action satisfies never;
  }
}

/** Why a key cannot be used, and what to do. */
export function unfitText(why: Unfit, code: string): string {
  const key = keyName(code);
  if (why === 'not_free') return texts.notFree(key);
  return why === 'takes_back' ? texts.takesBack(key) : texts.taken(key, taskText(why));
}

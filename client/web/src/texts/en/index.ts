// Everything the pages say, in English, a section a file. A sentence with a number or a name in it is a function that
// takes them; how many there are decides the form by `plural`. `#texts` is this folder, or that of the language a build is
// made for: another language is another folder of the same shape (`shape.ts`), and no page is touched. A page loads its own
// sections alone, and a seldom needed part comes with its own: so each stands in the file of its name.
// Drawn by `ui/Rich.svelte`, what stands between asterisks is strong, and in brackets stands a key of the keyboard:
// `*The piece has begun.* Hold [Space]`. Times, paces, distances and margins come as the trade writes them
// (`ui/format.ts`); numbers, names and lists are written here, as the language does.
export { language, type Some } from './language';
export { ui } from './ui';
export { parse } from './parse';
export { athlete } from './athlete';
export { athletePrepare } from './athletePrepare';
export { athleteResult } from './athleteResult';
export { athleteAims } from './athleteAims';
export { board } from './board';
export { coach } from './coach';
export { coachBegin } from './coachBegin';
export { coachBefore } from './coachBefore';
export { coachEffects } from './coachEffects';
export { coachDetail } from './coachDetail';
export { coachRequests } from './coachRequests';
export { coachPrepare } from './coachPrepare';
export { coachResults } from './coachResults';
export { coachKeys } from './coachKeys';

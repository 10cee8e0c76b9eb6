// Everything the pages say, in English, one section per file. A sentence with a number or a name in it is a function that
// takes them; how many there are decides the form through `plural`. `#texts` is this folder, or that of the language a
// build is made for: another language is another folder of the same shape (`shape.ts`), and no page is touched. A page
// loads only its own sections, and a rarely needed part brings its own: that is why each is in the file of its name.
// `ui/Rich.svelte` draws text between asterisks as strong, and text in brackets as a key of the keyboard: `*The piece has
// begun.* Hold [Space]`. Times, paces, distances and margins are written as the trade writes them (`ui/format.ts`);
// numbers, names and lists are written here, as the language does.
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
export { club } from './club';
export { me } from './me';
export { hall } from './hall';

// An athlete's seat in a session: the connection, the recording, what is linked, and what was pressed. It says
// again after every welcome what the server may not have heard; nothing here decides who stands where.
import { athlete as texts } from '#texts';
import type { Aim, AthleteId, CommandId, OnBoard, Own, RunId, RunningCall, Target, Today } from '../../protocol/decode';
import { NONE_PASSED, passedOn, type Passed } from '../../machine/beats';
import type { Kind } from '../../machine/link';
import type { HeardBeat, HeardSample } from '../../machine/radio';
import { isOwn, ownKey } from '../../club/own';
import { newId } from '../../session/id';
import { deviceWords } from '../../ui/device';
import { Live, joinId } from '../../session/live.svelte';
import { Recorder } from '../../session/recorder';
import { recallRowed, recorded, rememberRowed, type Recorded } from '../../session/recording';
import { athlete, currentPhase, currentPiece, goAt, isUnderWay, type Session } from '../../session/reduce';
import { forget, recall, recallRecording, remember, rememberRecording } from '../../session/remembered';
import type { Link, News } from '../../session/socket';
import { onDisk, type Shelved } from '../../session/store';
import { browser } from '../../session/world';
import { Asks } from './asks.svelte';
import { hasRead, noteRead } from './cautioned';
import type { Counted } from './call';
import { HEART_RATE_WORDING } from './consent';
import { anchored, atGo, nextRepeat, openGoal, way, type Anchor, type OpenGoal, type Way } from './course';
import { Equipment } from './equipment.svelte';
import { Meter } from './meter';
import { fitsByNow, toDo, type Done, type ToDo } from './ready';
import { beginsByClock } from './screen';

const PAGE = 'row';
/** This many strokes show that everything arrives. */
export const REHEARSAL_STROKES = 10;
/** The same for a machine that counts no strokes. */
const REHEARSAL_DM = 600;

/** How far the rehearsal is. */
export interface Rehearsal {
  readonly strokes: number | null;
  readonly dm: number;
  readonly done: boolean;
}

export class Seat {
  readonly live = new Live();
  readonly asks = new Asks(this.live);
  readonly equipment: Equipment;
  #meter = new Meter();
  /** Reports of this page, until those from before it was reloaded can be put in front of them. */
  #sinceLoaded: HeardSample[] | null = null;
  readonly #world = browser();
  #code = $state('');
  #entered = $state(false);
  #recorder: Recorder | null = null;
  #link: Link | null = null;
  /** Incremented with every report, so that what depends on the meter is redrawn. */
  #heard = $state(0);
  #anchor = $state.raw<Anchor | null>(null);
  #own: Own | null = null;
  #doneAtMs = $state.raw<number | null>(null);
  /** The repeat that was seen to be done by the page's own numbers, and how far the athlete was then. */
  #done: { readonly repeat: number; readonly way: Way } | null = null;
  #piece = $state.raw<number | null>(null);
  #goAt: number | null = null;
  /** Who rows what, as it was last kept. */
  #rowed = '';
  #saidStopped = $state.raw<boolean | null>(null);
  /** Somebody who is rowing wants to do what was left undone before. */
  #prepares = $state(false);
  #cautions = $state(false);
  #owner = '';
  #consents = $state.raw<boolean | null>(null);
  #wishedOnBoard = $state.raw<OnBoard | null>(null);
  #wishedToday = $state.raw<Today | null>(null);
  #rehearsedFromMs: number | null = null;
  #diskSays = $state('');
  #passed: Passed = NONE_PASSED;
  #boundMs: number | null = null;

  constructor() {
    this.equipment = new Equipment({
      sample: (sample) => this.#sampled(sample),
      beat: (beat, from) => this.#felt(beat, from),
      changed: () => this.#equipmentChanged(),
    });
  }

  get code(): string {
    return this.#code;
  }

  get entered(): boolean {
    return this.#entered;
  }

  /** Samples that the server is not known to have. */
  get pending(): number {
    return this.#heard >= 0 ? (this.#recorder?.pending ?? 0) : 0;
  }

  /** What of it is on this device, as a line of a file of recorded pieces; null when there is nothing. */
  get recorded(): Recorded | null {
    if (this.#heard < 0 || this.#recorder === null) return null;
    return recorded(recallRowed(localStorage, this.#code), this.#recorder.samples);
  }

  /** The server had lost what it had of this athlete, and gets all of it again. */
  get serverLost(): boolean {
    return this.live.state.connected.is !== 'connecting' && this.#recorder?.serverLost === true;
  }

  /** The disk of this device does not keep samples; empty while it does. */
  get diskSays(): string {
    return this.#diskSays;
  }

  get saidStopped(): boolean | null {
    return this.#saidStopped;
  }

  /** The piece is under way, none of it has been rowed, and the cautions are not read or no machine is linked. */
  get late(): boolean {
    const { session } = this.live;
    if (session === null || !isUnderWay(currentPhase(session))) return false;
    return !this.done.rowed && (!this.done.cautions || !this.done.machine || this.today === 'not_today');
  }

  get done(): Done {
    const { session } = this.live;
    const rowed = session !== null && session.own?.piece === session.current && session.own.done_dm > 0;
    return { cautions: this.cautions, machine: this.equipment.name !== null, rowed: rowed || (this.way?.done_dm ?? 0) > 0, today: this.today };
  }

  get toDo(): readonly ToDo[] {
    const { session } = this.live;
    return session === null ? [] : toDo(session, this.done);
  }

  /** What is still to do is shown instead of what is rowed, until it is done or the athlete goes back. */
  get prepares(): boolean {
    return this.#prepares && this.toDo.length > 0;
  }

  prepare(yes: boolean): void {
    this.#prepares = yes;
  }

  get cautions(): boolean {
    const { session } = this.live;
    return this.#cautions || (session?.you != null && athlete(session, session.you)?.cautions_read === true);
  }

  get consents(): boolean {
    const { session } = this.live;
    return this.#consents ?? (session?.you != null && athlete(session, session.you)?.heart_rate === true);
  }

  /** How their own name appears on boards. */
  get onBoard(): OnBoard {
    const { session } = this.live;
    const known = session?.you == null ? undefined : athlete(session, session.you)?.on_board;
    return this.#wishedOnBoard ?? known ?? 'name';
  }

  /** How they row today. */
  get today(): Today {
    return this.#wishedToday ?? this.#knownToday;
  }

  get #knownToday(): Today {
    const { session } = this.live;
    return (session?.you == null ? null : athlete(session, session.you))?.today ?? 'as_usual';
  }

  /** When the last repeat was done, on the session's clock, as far as is known here. */
  get doneAtMs(): number | null {
    return this.#doneAtMs;
  }

  // ——— own numbers; reading `live.nowMs` makes them redraw ———

  get moves(): boolean {
    return this.#read(false, (nowMs) => this.#meter.isRowing(nowMs));
  }

  /** Milliseconds of the session per 500 m; null while nobody rows. */
  get pace(): number | null {
    return this.#read(null, (nowMs) => this.#meter.pace(nowMs));
  }

  get rate(): number | null {
    return this.#read(null, (nowMs) => this.#meter.rate(nowMs));
  }

  get rehearsal(): Rehearsal {
    return this.#read({ strokes: 0, dm: 0, done: false }, () => {
      const from = this.#rehearsedFromMs;
      if (from === null) return { strokes: 0, dm: 0, done: false };
      const [strokes, dm] = [this.#meter.strokesSince(from), this.#meter.dmSince(from)];
      return { strokes, dm, done: strokes === null ? dm >= REHEARSAL_DM : strokes >= REHEARSAL_STROKES };
    });
  }

  /** How far the athlete is by the page's own numbers; null outside a piece. */
  get way(): Way | null {
    const { session } = this.live;
    const spec = session === null ? null : (currentPiece(session)?.spec ?? null);
    const anchor = this.anchor;
    if (spec === null || anchor === null) return null;
    return this.#read(null, (nowMs) =>
      way(anchor, spec, this.#meter.dmSince(anchor.ms), (nowMs - anchor.ms) * this.#speed),
    );
  }

  /** The place on the way that the server last named, or the go. */
  get anchor(): Anchor | null {
    if (this.#anchor !== null) return this.#anchor;
    const { session } = this.live;
    const go = session === null ? null : goAt(currentPhase(session));
    return go === null ? null : atGo(this.#onDevice(go));
  }

  /** The call that stands, counted in their own strokes; null when the machine counts none. */
  counted({ sent_at_ms, span }: RunningCall): Counted | null {
    return this.#read(null, () => {
      const from = this.#onDevice(sent_at_ms);
      const strokes = this.#meter.last === null ? null : this.#meter.strokesSince(from);
      if (strokes === null) return null;
      const doneMs = span.until === 'strokes' ? this.#meter.strokesDoneMs(from, span.strokes) : null;
      return { strokes, doneAtMs: doneMs === null ? null : (this.#link?.at(doneMs) ?? null) };
    });
  }

  /** What can still be reached, and the pace that is enough for it: by the server's word, and by the page's own numbers while it is away. */
  get open(): OpenGoal | null {
    const { session } = this.live;
    const piece = session === null ? null : currentPiece(session);
    const { way: now, target } = this;
    // Nobody who takes it easy is told what would be enough.
    if (session?.you == null || piece === null || now === null || this.today !== 'as_usual') return null;
    const past = athlete(session, session.you)?.aim.history.map(({ result }) => result) ?? [];
    const known = this.live.state.connected.is === 'here' && session.own !== null;
    return openGoal(target, past, piece.spec, now, known ? session.own.enough_per_500m_ms : undefined);
  }

  get target(): Target | null {
    const { session } = this.live;
    return session?.you == null || this.today !== 'as_usual' ? null : (athlete(session, session.you)?.aim.target ?? null);
  }

  // ——— coming and going ———

  /** Takes the place of a personal link, or the one that this device remembers; false when there is none. */
  async comeBack(code: string, secret: string, takeSeat = false): Promise<boolean> {
    const known = recall(localStorage, PAGE, code);
    const opens = secret === '' ? (known?.secret ?? '') : secret;
    if (opens === '') return false;
    // With a link that is new to this device, what the athlete has rowed here under an older one, and the server has
    // not heard, is still theirs: their recording goes on.
    const run = known?.run != null && (known.secret === opens || known.athlete != null) ? known.run : null;
    const whose = run === null ? null : (known?.athlete ?? null);
    const place = { secret: opens, run: run ?? newId(), athlete: whose };
    remember(localStorage, PAGE, code, place);
    await this.#enter(code, place.run, { secret: opens }, whose, takeSeat);
    return true;
  }

  /** Joins under a name; with a key of this device, as the person whose it is. */
  async join(code: string, name: string, key = ''): Promise<void> {
    const own = key === '' ? {} : { key };
    await this.#enter(code, newId(), { type: 'join', code, name, join: joinId(), from: deviceWords(navigator.userAgent), ...own });
  }

  /** Gets up for good: this device forgets the place, so that somebody else may sit down. */
  leave(): void {
    this.#recorder?.stop();
    this.#recorder = null;
    this.equipment.leave();
    this.live.leave();
    this.#sinceLoaded = null;
    // Whoever sits down next has read and chosen nothing yet.
    this.#cautions = false;
    this.#wishedToday = null;
    forget(localStorage, PAGE, this.#code);
    this.#entered = false;
  }

  /** Takes a place; with a new recording, if the old one is somebody else's. */
  async #enter(code: string, run: RunId, entry: Parameters<Live['enter']>[1], whose: AthleteId | null = null, takeSeat = false): Promise<void> {
    this.#recorder?.stop();
    this.#code = code;
    this.equipment.recordsAs(run);
    this.#entered = true;
    const store = onDisk((why) => (this.#diskSays = why));
    const before = await store.load(run);
    const recorder = await Recorder.open(run, store, this.#world);
    this.#recorder = recorder;
    this.#sinceLoaded ??= [];
    const hear = (news: News): void => {
      if (news.news === 'entered' && news.msg.type === 'joined') {
        remember(localStorage, PAGE, code, { secret: news.msg.secret, run, athlete: news.msg.athlete });
        rememberRecording(localStorage, code, news.msg.athlete, run);
      }
      if (news.news === 'welcome') {
        const { you } = news.msg;
        if ('secret' in entry) {
          const known = you === null ? null : recallRecording(localStorage, code, you);
          // An empty recording that was begun before it was known who comes gives way to their earlier one.
          const isBegun = whose !== null || known === null || recorder.pending > 0;
          const goesOn = (whose === null || you === whose) && isBegun;
          const theirs = goesOn ? run : (known ?? newId());
          remember(localStorage, PAGE, code, { secret: entry.secret, run: theirs, athlete: you });
          if (you !== null) rememberRecording(localStorage, code, you, theirs);
          if (theirs !== run) return void this.#enter(code, theirs, entry, you, takeSeat);
        }
        this.#putInFront(before);
      }
      recorder.hear(news);
      this.#told(news);
    };
    this.#link = this.live.enter('athlete', entry, run, hear, takeSeat);
    recorder.over(this.#link);
  }

  /** What was rowed before this page was reloaded is read again, ahead of everything that came since; only now is it known how fast time goes. */
  #putInFront({ samples, waiting }: Shelved): void {
    const since = this.#sinceLoaded;
    if (since === null) return;
    this.#sinceLoaded = null;
    this.#meter = new Meter(this.#speed);
    for (const { heard_ms, ...said } of [...samples].sort((a, b) => a.seq - b.seq)) this.#meter.take(said, this.#onDevice(heard_ms));
    const openedMs = this.#world.wall() - this.#world.now();
    for (const { wall_ms, said } of waiting) this.#meter.take(said, wall_ms - openedMs);
    for (const { heard_ms, ...said } of since) this.#meter.take(said, heard_ms);
  }

  // ——— what is pressed ———

  acceptCautions(): void {
    this.#cautions = true;
    if (this.#isTheirDevice) noteRead(localStorage, this.#name, Date.now());
    this.#sayReady();
  }

  /** Whom this device belongs to; empty for nobody, and as long as that is not known. */
  belongsTo(owner: string): void {
    this.#owner = owner;
    if (!this.#cautions && this.#isTheirDevice && hasRead(localStorage, this.#name, Date.now())) {
      this.#cautions = true;
      this.#sayReady();
    }
  }

  get #name(): string {
    const { session } = this.live;
    return (session?.you == null ? null : athlete(session, session.you))?.spec.name ?? '';
  }

  /** On a device of somebody else all of the cautions are read every time; one that is nobody's goes by the name. */
  get #isTheirDevice(): boolean {
    return this.#name !== '' && (ownKey(localStorage) === '' || isOwn(this.#name, this.#owner));
  }

  /** States another target, or another plan; returns what it will be answered under, null when the server is away. */
  aim(wish: Partial<Pick<Aim, 'target' | 'plan'>>): CommandId | null {
    const { session } = this.live;
    const piece = session === null ? null : currentPiece(session);
    if (session?.you == null || piece === null) return null;
    // What was said a moment ago and has not been answered stands, too: a plan must not bring back an older target.
    const said = this.live.unanswered.flatMap(({ msg }) => (msg.type === 'aim' && msg.piece === piece.piece ? [msg.aim] : [])).at(-1);
    const aim = said ?? athlete(session, session.you)?.aim;
    const known: Aim = { target: aim?.target ?? null, plan: aim?.plan ?? { profile: 'even' }, history: aim?.history ?? [] };
    if (this.live.state.connected.is !== 'here') return null;
    return this.live.ask((command) => ({ type: 'aim', piece: piece.piece, aim: { ...known, ...wish }, command }));
  }

  stop(): void {
    this.#saidStopped = true;
    this.asks.say('stop', (command) => ({ type: 'stop_rowing', command }));
  }

  rowOn(): void {
    this.#saidStopped = false;
    this.asks.say('stop', (command) => ({ type: 'row_on', command }));
  }

  standOnBoard(as: OnBoard): void {
    this.#wishedOnBoard = as;
    this.#sayReady();
  }

  rowToday(today: Today): void {
    this.#wishedToday = today;
    this.#sayReady();
  }

  consent(given: boolean): void {
    this.#consents = given;
    this.#sayConsent(given);
    if (!given) this.equipment.release('strap');
  }

  // ——— what is heard ———

  #told(news: News): void {
    // Another device sits here now, or the place is gone: this one must not go on counting under its number.
    if (news.news === 'ended') this.equipment.leave();
    const { session } = this.live;
    if (session === null) return;
    const phase = currentPhase(session);
    const go = goAt(phase);
    if (session.current !== this.#piece || go !== this.#goAt) {
      const isNext = this.#piece !== null && session.current !== this.#piece;
      if (isNext) this.#recorder?.forget((this.live.nowMs ?? 0) - 1);
      // A false start leads to another go: what was pressed in the attempt before no longer counts.
      if (isNext || (go !== null && this.#goAt !== null)) {
        this.#saidStopped = null;
        this.asks.forgo('stop');
      }
      this.#prepares = false;
      this.#piece = session.current;
      this.#goAt = go;
      this.#anchor = null;
      this.#own = null;
      this.#doneAtMs = null;
      this.#done = null;
    }
    this.#rememberRowed(session);
    if (session.own !== null && session.own !== this.#own) this.#ownSaid(session.own);
    if (news.news === 'welcome') {
      if (this.equipment.seatedBefore) this.equipment.seatDemo(this.#speed);
      this.belongsTo(this.#owner);
      this.#sayAgain();
    }
    if (news.news === 'said' && news.msg.type === 'refused') this.#takeBackRefused();
    // What the server has is not said again: another device may have said something else since.
    if (this.#wishedToday === this.#knownToday && !this.asks.waits('ready')) this.#wishedToday = null;
    const bound = this.#link?.bound() ?? null;
    if (news.news === 'clock_set' || fitsByNow(this.#boundMs, bound)) {
      this.#boundMs = bound;
      this.#sayReady();
    }
  }

  /** For a page that is reloaded when the server no longer knows anything. */
  #rememberRowed(session: Session): void {
    const piece = currentPiece(session);
    const you = session.you === null ? null : athlete(session, session.you);
    if (piece === null || you === null) return;
    const whose = { id: you.spec.name, group: this.#code, repeats: piece.spec.repeats, target: you.aim.target, go_at_ms: goAt(piece.phase) };
    const said = JSON.stringify(whose);
    if (said === this.#rowed) return;
    this.#rowed = said;
    rememberRowed(localStorage, this.#code, whose);
  }

  #ownSaid(own: Own): void {
    const { session } = this.live;
    const piece = session === null ? null : currentPiece(session);
    if (piece === null) return;
    const seen = this.#done?.repeat === own.repeat - 1;
    if (this.#own !== null && own.repeat > this.#own.repeat && !seen) this.#doneAtMs = this.#link?.now() ?? null;
    this.#own = own;
    this.#anchor = anchored(own, piece.phase, piece.spec, this.#world.now(), (ms) => this.#onDevice(ms));
  }

  #sampled({ heard_ms, ...said }: HeardSample): void {
    if (this.live.state.connected.is === 'ended') return;
    this.#recorder?.record(said);
    this.#meter.take(said, heard_ms);
    this.#sinceLoaded?.push({ heard_ms, ...said });
    this.#heard += 1;
    this.#goOn();
  }

  /** Goes from repeat to repeat by the page's own numbers, as far as that needs nobody's signal. */
  #goOn(): void {
    const { session } = this.live;
    const spec = session === null ? null : (currentPiece(session)?.spec ?? null);
    const [anchor, now] = [this.anchor, this.way];
    if (spec === null || anchor === null || now === null || !now.repeatDone || anchor.repeat + 1 >= spec.repeats.length) return;
    if (this.#done?.repeat !== anchor.repeat) {
      this.#done = { repeat: anchor.repeat, way: now };
      this.#doneAtMs = this.#link?.now() ?? null;
    }
    const rested = (this.#doneAtMs ?? Infinity) + (spec.repeats[anchor.repeat]?.rest_ms ?? 0);
    if (beginsByClock(spec) && (this.#link?.now() ?? 0) >= rested) this.#anchor = nextRepeat(anchor, this.#done.way, this.#onDevice(rested));
  }

  #felt(beat: HeardBeat, from: Kind): void {
    if (!this.consents) return;
    const { passed, goes } = passedOn(this.#passed, beat, from);
    this.#passed = passed;
    const heardMs = this.#link?.at(beat.heard_ms) ?? null;
    if (!goes || heardMs === null) return;
    this.live.say({ type: 'heart_rate', readings: [{ heard_ms: Math.round(heardMs), heart_bpm: beat.heart_bpm }] });
  }

  #equipmentChanged(): void {
    if (!this.equipment.isDemo && this.equipment.machine.link.is === 'linking') this.#rehearsedFromMs = null;
    if (this.equipment.name !== null) this.#rehearsedFromMs ??= this.#world.now();
    this.#sayReady();
  }

  /** What the server may not have heard before the connection was lost. */
  #sayAgain(): void {
    this.#sayReady();
    if (this.#consents !== null) this.#sayConsent(this.#consents);
    if (this.#saidStopped === true) this.stop();
    else if (this.#saidStopped === false) this.rowOn();
  }

  #sayReady(): void {
    const [cautions_read, machine, clock_bound_ms] = [this.cautions, this.equipment.name, this.#boundMs];
    const [on_board, today] = [this.#wishedOnBoard, this.#wishedToday];
    this.asks.say('ready', (command) => ({ type: 'ready', cautions_read, machine, clock_bound_ms, on_board, today, command }));
  }

  #sayConsent(heart_rate: boolean): void {
    this.asks.say('consent', (command) => ({ type: 'consent', heart_rate, wording: HEART_RATE_WORDING, command }));
  }

  /** What was not accepted is shown as it was, with the reason beside it. */
  #takeBackRefused(): void {
    if (this.asks.refused('consent') !== '') this.#consents = null;
    if (this.asks.refused('ready') !== '') this.#wishedOnBoard = this.#wishedToday = null;
    // Somebody who has stopped stays so until the server knows that they row on.
    if (this.asks.refused('stop') !== '' && this.#saidStopped === false) this.#saidStopped = true;
  }

  get #speed(): number {
    return this.live.session?.speed ?? 1;
  }

  /** An instant of the session on this device's own clock. */
  #onDevice(sessionMs: number): number {
    const zero = this.#link?.at(0) ?? 0;
    return (sessionMs - zero) / this.#speed;
  }

  /** Reads the page's own numbers: again with every report, and as time passes. */
  #read<Value>(none: Value, read: (nowMs: number) => Value): Value {
    return this.#heard >= 0 && (this.live.nowMs ?? 0) >= 0 ? read(this.#world.now()) : none;
  }
}

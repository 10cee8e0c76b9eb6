// The coach's desk: the session, what was seen of it, whom the next call is for, and the orders that go out.
import { coach as texts, coachBegin } from '#texts';
import { LIMITS } from '../../../generated/known';
import type { Myself } from '../../protocol/club';
import type { Audience, CallId, CallSpec, CallText, CommandId, Order, Refusal, Span, Standings } from '../../protocol/decode';
import { linkTo } from '../../session/address';
import { WRONG_SECRET } from '../../session/close';
import { newId } from '../../session/id';
import { Live } from '../../session/live.svelte';
import { currentPhase, currentPiece, goAt, type Answer, type ListedCall, type Session } from '../../session/reduce';
import type { News } from '../../session/socket';
import { keepFile } from '../../ui/keepFile';
import { remembered, type History } from './history';
import { packed, unpacked } from './kept';
import { dropSession, keepHabits, keepKey, keepSession, keptHabits, keptKey, keptSessions, type Habits, type KeptSession } from './shelf';
import { readCall } from './sheet';
import { Tables } from './tables';
import { seenFor, withTargets, type Seen } from './targets';
import { standingCalls, waiting, type Waiting } from './words';

/** What outlives a reload of this page is in the tab's storage, under this and the code. */
const KEPT_PIECE = 'thole coach piece';

/** Whom the next call is for. */
export type Whom = { readonly whom: 'all' } | { readonly whom: 'behind' } | { readonly whom: 'picked' } | { readonly whom: 'team'; readonly team: string };

/** A false start can be called this long after the go. */
const FALSE_START_MS = LIMITS.false_start_max_ms;

/** RFC 9110 section 15.5.2: the key opens nothing. */
const WRONG_KEY = 401;

export class Desk {
  readonly live = new Live();
  whom = $state.raw<Whom>({ whom: 'all' });
  picked = $state.raw<ReadonlySet<string>>(new Set());
  /** Whose detail is open. */
  shown = $state.raw<string | null>(null);
  habits = $state.raw<Habits>(keptHabits(localStorage));
  /** Whether the keys are shown for changing: then they do nothing else. */
  keysShown = $state(false);
  /** Whether a session was asked for: to be made, or opened. */
  asked = $state.raw(false);
  /** Why no session was made; empty when nothing stood in the way. */
  unmade = $state.raw('');
  /** What a screen reader was last told. */
  says = $state.raw('');
  /** What is known of this session on this device; null before it is open. Its secret is empty where this device’s key opens it. */
  kept = $state.raw<KeptSession | null>(null);
  /** The head coach's key, with which sessions are made; empty where it is not known. */
  key = $state.raw(keptKey(localStorage));
  /** Whether the key has just arrived. */
  keyTaken = $state.raw(false);
  /** Of a link for the coach’s devices that was made just now. */
  newLinkSecret = $state.raw('');
  /** The link by which this page came, until it has been let in: a wrong one must not replace a known one. */
  #opens: KeptSession | null = null;
  /** What the list of the field shows. */
  /** Whether the list of what calls did is shown, over the list of the field. */
  effectsShown = $state(false);
  #history = $state.raw<History>(new Map());
  /** Effects measured before this page was reopened. */
  #asked = $state.raw<readonly CommandId[]>([]);
  #told = $state.raw<string | null>(null);
  #armed: CallSpec | null = null;
  #goMs: number | null = null;
  #making = false;
  readonly #tables = new Tables();
  #aims: Seen | null = null;

  /** What this page has seen of the piece. */
  get history(): History {
    return this.#history;
  }

  get session(): Session | null {
    return this.live.session;
  }

  /** Whether orders from this device are carried out. */
  get leads(): boolean {
    return this.session?.in_command === true && !this.session.closed;
  }

  /** What went wrong with the last thing that was asked for, in words; null when nothing did. */
  get trouble(): string | null {
    if (this.#told !== null) return this.#told;
    for (const command of this.#asked) {
      const answer = this.answer(command);
      if (answer !== null && !answer.done) return answer.refusal.says;
    }
    const refusal: Refusal | null = this.live.state.refusal;
    return refusal?.says ?? null;
  }

  /** Calls of this piece that stand, newest first. */
  get running(): readonly ListedCall[] {
    return this.session === null ? [] : standingCalls(this.session).toReversed();
  }

  open(code: string, secret: string): void {
    this.#keep(code);
    const known = this.kept ?? { code, title: '', board: null, links: {} };
    // A key is kept in one place, and is no link of this session.
    this.#opens = { ...known, secret: secret === this.key ? '' : secret };
    this.asked = true;
    this.live.enter('coach', { secret, code }, null, (news) => this.#hear(news));
  }

  make(title: string): void {
    this.asked = true;
    this.#making = true;
    this.live.enter('coach', { type: 'create', title, ...(this.key === '' ? {} : { key: this.key }) }, null, (news) => this.#hear(news));
  }

  /** A coach's link was opened here: this device makes sessions from now on, unless the server knows no such link. */
  takeKey(key: string): void {
    const before = this.key;
    keepKey(localStorage, key);
    this.key = key;
    [this.keyTaken, this.unmade] = [false, ''];
    // Few come by a link of the club: what asks it is loaded for them.
    const asked = import('../../club/ask').then(({ Asking }) => new Asking(key).read<Myself>('/me'));
    void asked.then((answer) => {
      const isCoach = !answer.ok || answer.value.role === 'coach' || answer.value.role === 'head';
      this.keyTaken = isCoach && (answer.ok || answer.status !== WRONG_KEY);
      if (this.keyTaken) return;
      // What opened something here before still does.
      keepKey(localStorage, before);
      this.key = before;
      this.unmade = answer.ok ? coachBegin.readsOnly : coachBegin.wrongKey;
    });
    // What could not be loaded has found nothing wrong.
    asked.catch(() => (this.keyTaken = true));
  }

  /** The link that this device knows for a session that the opened link does not open; null when it knows none. */
  get knows(): string | null {
    if (this.live.state.connected.is !== 'ended' || this.#opens === null || this.kept === null) return null;
    return this.kept.secret === this.#opens.secret ? null : linkTo('', 'coach', this.kept.code, this.kept.secret);
  }

  answer(command: CommandId): Answer | null {
    return this.live.state.answers.get(command) ?? null;
  }

  order(order: Order): CommandId {
    return this.orders([order])[0] ?? '';
  }

  /** Several orders that belong together: the coach is told about the first that is refused. */
  orders(orders: readonly Order[]): readonly CommandId[] {
    return this.#ask(orders.map((order) => this.live.order(order)));
  }

  addAthletes(athletes: Extract<Parameters<Live['say']>[0], { type: 'add_athletes' }>['athletes']): CommandId {
    return this.#ask([this.live.ask((command) => ({ type: 'add_athletes', command, athletes }))])[0] ?? '';
  }

  newLink(athlete: string): CommandId {
    return this.#ask([this.live.ask((command) => ({ type: 'new_link', command, athlete }))])[0] ?? '';
  }

  newBoardLink(): CommandId {
    return this.#ask([this.live.ask((command) => ({ type: 'new_board_link', command }))])[0] ?? '';
  }

  newCoachLink(): CommandId {
    return this.#ask([this.live.ask((command) => ({ type: 'new_coach_link', command }))])[0] ?? '';
  }

  letIn(request: string): void {
    this.#ask([this.live.ask((command) => ({ type: 'let_in', command, request }))]);
  }

  letInAll(requests: readonly string[]): void {
    this.#ask([this.live.ask((command) => ({ type: 'let_in_all', command, requests: [...requests] }))]);
  }

  turnAway(request: string): void {
    this.#ask([this.live.ask((command) => ({ type: 'turn_away', command, request }))]);
  }

  /** Saves the results as a table, which the server writes, under this name. */
  saveResults(name: string): void {
    const command = this.live.ask((asked) => ({ type: 'results_table', command: asked, piece: null }));
    this.#tables.want(command, name);
    this.#ask([command]);
  }

  takeCommand(): void {
    this.#ask([this.live.ask((command) => ({ type: 'take_command', command }))]);
  }

  dismiss(): void {
    this.#ask([]);
  }

  /** Sends a call of the pad, which can be taken back during its grace period; a call that still waits gives way to it. */
  call(text: CallText, span: Span = this.span): void {
    const audience = this.#audience();
    if (audience === null) {
      this.#told = texts.calls.nobodyPicked;
      return;
    }
    const waiting = this.session?.armed?.call;
    this.#armed = { call: newId(), text, audience, span };
    const call: Order = { do: 'call', call: this.#armed };
    this.orders(waiting === undefined ? [call] : [{ do: 'take_back', call: waiting }, call]);
    if (this.whom.whom === 'picked') this.clearPicks();
  }

  /** The waiting call goes out at once. */
  sendNow(): void {
    const waiting = this.session?.armed;
    if (waiting === null || waiting === undefined) return;
    if (this.#armed?.call !== waiting.call) {
      this.#told = texts.calls.notOurs;
      return;
    }
    const now: CallSpec = { ...this.#armed, call: newId(), grace_ms: 0 };
    this.#armed = null;
    this.orders([{ do: 'take_back', call: waiting.call }, { do: 'call', call: now }]);
  }

  /** Whether the server is away: then nobody knows what stands, and nothing goes out. */
  get away(): boolean {
    return this.live.state.connected.is !== 'here';
  }

  /** What was asked for and is waiting for the server. */
  get waiting(): readonly Waiting[] {
    return waiting(this.live.unanswered, this.away, this.live.nowMs, this.session?.speed ?? 1);
  }

  /** Withdraws what no connection has carried yet. */
  unask(command: CommandId): void {
    this.live.unask(command);
  }

  /** Ends one of the calls that stand. */
  end(call: CallId): void {
    this.order({ do: 'take_back', call });
  }

  /** The waiting call, or otherwise the newest that stands; false when there is none. */
  takeBack(): boolean {
    const kept = this.waiting.findLast(({ call, may_be_dropped }) => call && may_be_dropped);
    if (this.away && kept !== undefined) return this.live.unask(kept.command);
    const call = this.session?.armed?.call ?? this.running[0]?.call;
    if (call === undefined) return false;
    this.order({ do: 'take_back', call });
    return true;
  }

  pick(athlete: string): void {
    const picked = new Set(this.picked);
    if (!picked.delete(athlete)) picked.add(athlete);
    this.picked = picked;
    this.whom = picked.size === 0 ? { whom: 'all' } : { whom: 'picked' };
  }

  clearPicks(): void {
    this.picked = new Set();
    this.whom = { whom: 'all' };
  }

  /** The calls of the pad: what was prepared, and until then those that come with the page. */
  get pad(): readonly CallText[] {
    const prepared = this.session?.prepared ?? [];
    return prepared.length > 0 ? prepared : texts.calls.suggested.map((shown) => ({ shown, spoken: '' }));
  }

  /** How long a call of the pad stands. */
  get span(): Span {
    const read = readCall(`x for ${this.habits.span}`);
    return read.ok ? read.value.span : { until: 'next' };
  }

  like(habits: Partial<Habits>): void {
    this.habits = { ...this.habits, ...habits };
    keepHabits(localStorage, this.habits);
  }

  /** Whether a false start can still be called. */
  get mayCallBack(): boolean {
    if (this.session === null) return false;
    const phase = currentPhase(this.session);
    if (phase.phase === 'counting') return true;
    const now = this.live.nowMs;
    return phase.phase === 'rowing' && now !== null && now - phase.go_at_ms <= FALSE_START_MS;
  }

  link(page: 'coach' | 'row' | 'board', secret: string): string {
    return linkTo(location.origin, page, this.session?.code.replaceAll(/[^A-Za-z]/g, '') ?? '', secret);
  }

  #audience(): Audience | null {
    if (this.whom.whom !== 'picked') return this.whom;
    return this.picked.size === 0 ? null : { whom: 'picked', athletes: [...this.picked] };
  }

  /** Makes sure that a reload finds again what was seen of the piece. */
  keepPiece(): void {
    if (this.session === null || this.#goMs === null) return;
    sessionStorage.setItem(this.#keptPiece(this.session), packed(this.#goMs, this.#history));
  }

  #keptPiece({ code }: Session): string {
    return `${KEPT_PIECE} ${code}`;
  }

  #ask(commands: readonly CommandId[]): readonly CommandId[] {
    this.#told = null;
    this.#asked = commands;
    return commands;
  }

  /** Targets go with the piece that they are for: what is set now is offered again when that piece comes back. */
  #keepTargets(session: Session): void {
    const piece = currentPiece(session);
    if (this.kept === null || piece === null || (piece.phase.phase !== 'gathering' && piece.phase.phase !== 'armed')) return;
    const seen = seenFor(this.#aims, piece, session.athletes);
    this.#aims = seen;
    const known = this.kept.targets ?? {};
    const targets = withTargets(known, piece, session.athletes.filter((view) => !seen.stale.has(view)));
    if (targets === known) return;
    keepSession(localStorage, this.kept.code, { targets });
    this.#keep(this.kept.code);
  }

  #keep(code: string): void {
    this.kept = keptSessions(localStorage).find((one) => one.code === code) ?? null;
  }

  #hear(news: News): void {
    const table = this.#tables.hear(news);
    if (table !== null) keepFile(table.name, [table.csv], 'text/csv;charset=utf-8');
    if (news.news === 'entered' && news.msg.type === 'created') {
      const { code, board_secret, by } = news.msg;
      const plain = code.replaceAll(/[^A-Za-z]/g, '');
      const secret = by == null ? news.msg.coach_secret : '';
      keepSession(localStorage, plain, { secret, board: board_secret });
      this.#keep(plain);
      // From here on the address opens this session again, after a reload too.
      history.replaceState(null, '', linkTo('', 'coach', plain, secret));
    }
    if (news.news === 'welcome') {
      const { title } = news.msg;
      const code = this.#opens?.code ?? this.kept?.code;
      if (code !== undefined) {
        keepSession(localStorage, code, { title, ...(this.#opens === null ? {} : { secret: this.#opens.secret }) });
        this.#keep(code);
      }
      this.#opens = null;
    }
    if (news.news === 'said' && news.msg.type === 'links' && this.kept !== null) {
      const links = Object.fromEntries(news.msg.links.map(({ athlete, secret }) => [athlete, secret]));
      keepSession(localStorage, this.kept.code, { links });
      this.#keep(this.kept.code);
    }
    if (news.news === 'said' && news.msg.type === 'board_link' && this.kept !== null) {
      keepSession(localStorage, this.kept.code, { board: news.msg.board_secret });
      this.#keep(this.kept.code);
    }
    if (news.news === 'said' && news.msg.type === 'coach_link' && this.session !== null) {
      const { coach_secret } = news.msg;
      this.newLinkSecret = coach_secret;
    }
    // Whoever leads by a key of their own stays with it.
    if (news.news === 'said' && news.msg.type === 'coach_link' && this.session !== null && this.kept?.secret !== '') {
      const { coach_secret } = news.msg;
      this.live.link?.comesBy(coach_secret);
      const plain = this.session.code.replaceAll(/[^A-Za-z]/g, '');
      keepSession(localStorage, plain, { secret: coach_secret });
      this.#keep(plain);
      // A reload uses the new one.
      history.replaceState(null, '', linkTo('', 'coach', plain, coach_secret));
    }
    const opened = this.#opens?.secret ?? this.kept?.secret;
    if (news.news === 'ended' && news.code === WRONG_SECRET && this.kept?.secret === opened && this.kept !== null) dropSession(localStorage, this.kept.code);
    if (news.news === 'ended' && this.#making) {
      this.asked = false;
      this.unmade = news.says;
    }
    if (news.news === 'entered' || news.news === 'ended') this.#making = false;
    this.#see();
  }

  /** Another piece, or another attempt, begins with nothing seen. */
  #see(): void {
    const session = this.session;
    if (session === null) return;
    this.#keepTargets(session);
    const go = goAt(currentPhase(session));
    if (go !== null && go !== this.#goMs) {
      this.#goMs = go;
      this.#history = unpacked(sessionStorage.getItem(this.#keptPiece(session)), go);
      this.clearPicks();
    }
    if (session.standings !== null && go !== null) {
      const rests = currentPhase(session).phase === 'resting';
      // In a rest the machine reports how slowly it runs out, which is not a pace that anybody rowed.
      const details = rests ? session.details.map((one) => ({ ...one, pace_per_500m_ms: null, rate_half_spm: null })) : session.details;
      this.#history = remembered(this.#history, { standings: session.standings, details }, session.settings.ranking);
    }
  }
}

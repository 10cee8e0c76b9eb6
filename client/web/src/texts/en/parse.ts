// What was typed cannot be read; the command-line program says the same.
import { numbers } from './language';

export const parse = {
  noUnit: (typed: string) => `"${typed}" has no unit; for seconds type ${typed}s, or a time like 1:15.`,
  time: (typed: string) => `"${typed}" is not a time; type one like 1:15, 75s or 12min.`,
  distance: (typed: string) => `"${typed}" is not a distance; type one like 1700m or 5km.`,
  target: (typed: string) => `"${typed}" is not a target; type a finish (6:31.5), a pace (1:52.4/500m) or a distance (4120m).`,
  extent: (typed: string) => `"${typed}" is neither a distance nor a time; type one like 350m or 4min.`,
  piece: (typed: string) => `"${typed}" is not a piece; type one like 1700m, 12min, 6x350m/1:15 or 3x4x500m/1:00/4:00.`,
  mixed: (typed: string) => `"${typed}" mixes distances and times; a piece is all by distance or all by time.`,
  tooMany: (typed: string, most: number) => `"${typed}" has more than ${numbers.format(most)} repeats; a piece has at most ${numbers.format(most)}.`,
  nothing: (typed: string) => `"${typed}" repeats nothing; begin with 1x or more.`,
  rests: (typed: string) => `"${typed}" has more rests than it needs; two are for sets, as in 3x4x500m/1:00/4:00.`,
  noRestBetween: (typed: string) =>
    `"${typed}" has no rest between its parts; put it after a slash, as in 500m/1:15+500m, or type the whole as one piece.`,
  comma: (typed: string, meant: string) => `The comma in "${typed}" can be read in two ways; if ${meant} is meant, type that.`,
  noRest: (typed: string) => `"${typed}" has no rest; put it after a slash, as in ${typed}/1:15.`,
} as const;

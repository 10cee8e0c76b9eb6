// The link on a person's card. The secret stands behind the #, which no browser sends to a server.
export function cardLink(origin: string, secret: string): string {
  return `${origin}/me/#${secret}`;
}

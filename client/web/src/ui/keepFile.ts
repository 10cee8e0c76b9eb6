// A file for the browser to keep on this device.
export function keepFile(name: string, parts: readonly string[], type: string): void {
  const address = URL.createObjectURL(new Blob([...parts], { type }));
  const link = document.createElement('a');
  link.href = address;
  link.download = name;
  link.click();
  // The download has begun by then, and the copy is no longer needed.
  setTimeout(() => URL.revokeObjectURL(address), 1_000);
}

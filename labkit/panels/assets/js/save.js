// A file that Python has sent, saved as the browser saves files.

function save({ name, kind }, bytes) {
  const address = URL.createObjectURL(new Blob([bytes], { type: kind }));
  const link = make("a", "", "", { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 60000); // not at once: the browser may still be asking where to put it
}

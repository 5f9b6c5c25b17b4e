// Sends the passphrase, typed or from the QR code (after the #, so it is never part of an address that is sent).
const field = document.querySelector("#passphrase");

async function enter() {
  const why = document.querySelector("#why");
  try {
    const answer = await fetch("/enter", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ passphrase: field.value.trim() }),
    });
    if (answer.ok) location.replace("/");
    else why.textContent = (await answer.json()).error;
  } catch {
    why.textContent = "The computer does not answer. Check the network, then try again.";
  }
}

document.querySelector("#enter").addEventListener("submit", (event) => {
  event.preventDefault();
  enter();
});
function scanned() {
  if (location.hash.length < 2) return;
  field.value = location.hash.slice(1);
  history.replaceState(null, "", "/enter");
  enter();
}
window.addEventListener("hashchange", scanned);
scanned();

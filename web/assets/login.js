// The token for a cookie, and back to the page.

const form = document.getElementById("login");
const token = document.getElementById("token");
const said = document.getElementById("login-said");

document.getElementById("show").addEventListener("change", (event) => {
  token.type = event.target.checked ? "text" : "password";
});

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  said.textContent = "";
  try {
    const response = await fetch("/login", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ token: token.value }),
    });
    if (response.ok) return location.replace("/");
    const problem = await response.json().catch(() => ({}));
    said.textContent = response.status === 401 ? "That is not the token of this recorder." : problem.detail;
  } catch {
    said.textContent = "The recorder cannot be reached.";
  }
  token.select();
});

token.focus();

// Sends a change from a page that stays open. Its visit may have ended meanwhile, or the viewer been started again: then
// the page still holds the token of the visit before. The one of now is taken over, and the change goes out once more.
export const OVER = "This visit is over. Come in again in another tab, then try again here: nothing of it is lost yet.";

export async function sent(action, fields) {
  const post = () => {
    const token = document.querySelector("input[name=token]").value;
    const body = new URLSearchParams([...new URLSearchParams(fields)].filter(([name]) => name !== "token"));
    body.set("token", token);
    return fetch(action, { method: "POST", body, headers: { Accept: "application/json" } });
  };
  const answer = await post();
  return answer.status === 403 && (await renewed()) ? post() : answer;
}

// Whether the page's token could be brought up to date.
export async function renewed() {
  const answer = await fetch(location.href);
  if (!answer.ok || answer.redirected) return false;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const token = page.querySelector("input[name=token]")?.value;
  if (!token) return false;
  for (const field of document.querySelectorAll("input[name=token]")) field.value = token;
  return true;
}

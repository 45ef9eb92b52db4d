// Looks at the board in a browser, as people who use it do: at each size, light and dark, with the keyboard alone, without script; and has
// axe-core (https://github.com/dequelabs/axe-core, the rules of WCAG 2.2 A and AA that a program can check) look at every page.
//
// usage: node board.mjs TOOLS ORIGIN TOKEN PICTURES   prints a line of JSON for each thing seen
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { join } from "node:path";

const [tools, origin, token, pictures] = process.argv.slice(2);
const require = createRequire(join(tools, "node_modules/"));
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core"), "utf8");

const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const SIZES = { phone: [360, 740], tablet: [1024, 768], desk: [1440, 900], wall: [1920, 1080], tall: [1080, 1920] };

const tell = what => console.log(JSON.stringify(what));
const browser = await chromium.launch({
  executablePath: process.env.FETTLER_CHROMIUM || "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-dev-shm-usage"],
});

const open = async (size, colorScheme, javaScriptEnabled) => {
  const [width, height] = SIZES[size];
  const context = await browser.newContext({
    viewport: { width, height }, colorScheme, javaScriptEnabled, baseURL: origin, locale: "en-GB", reducedMotion: "reduce",
  });
  context.setDefaultTimeout(60_000);
  return context.newPage();
};

// What a page breaks of the rules, what of it lies outside the window, and what it asked of anybody else.
const look = async (page, name) => {
  await page.evaluate(axe);
  const seen = await page.evaluate(async rules => {
    const { violations, passes } = await window.axe.run(document, { runOnly: { type: "tag", values: rules } });
    const root = document.documentElement, wall = document.body.classList.contains("wall");
    const outside = [...document.querySelectorAll("main li, main p, main h2, main h3, main input, header, footer")]
      .filter(part => {
        const box = part.getBoundingClientRect();
        const bottom = (part.closest("main") || document.body).getBoundingClientRect().bottom;
        return box.width > 0 && (box.right > root.clientWidth + 1 || box.left < -1 || (wall && box.bottom > bottom + 1));
      })
      .map(part => part.textContent.slice(0, 60));
    // What comes before all this is never cut off, pushed out of the window or covered.
    const deferral = [...document.querySelectorAll(".deferral")].map(part => {
      const range = document.createRange();
      range.selectNodeContents(part);
      const text = range.getBoundingClientRect(), box = part.getBoundingClientRect();
      const [x, y] = [text.left + 2, text.top + text.height / 2];
      const seen = y < innerHeight ? document.elementFromPoint(x, y) : part;
      return {
        says: part.textContent.trim(), letters: Math.round(parseFloat(getComputedStyle(part).fontSize)),
        cut: text.right > box.right + 1 || text.bottom > box.bottom + 1 || part.scrollWidth > part.clientWidth + 1,
        outside: text.left < 0 || text.right > root.clientWidth + 1 || (wall && text.bottom > root.clientHeight + 1),
        covered: !(seen === part || part.contains(seen)),
      };
    });
    return {
      deferral,
      broken: violations.map(({ id, nodes }) => `${id}: ${nodes.map(node => node.target.join(" ")).slice(0, 3).join(", ")}`),
      checked: passes.length, wide: root.scrollWidth - root.clientWidth, outside,
      tall: wall ? root.scrollHeight - root.clientHeight : 0,
      small: [...document.querySelectorAll("button, input, textarea, nav a")]
        .map(part => part.getBoundingClientRect())
        .filter(box => box.width > 0 && (box.height < 24 || box.width < 20)).length,
      letters: Math.round(Math.min(...[...document.querySelectorAll(".title")].map(part => parseFloat(getComputedStyle(part).fontSize)))),
    };
  }, RULES);
  await page.screenshot({ path: join(pictures, `${name}.png`), fullPage: !name.includes("wall") && !name.includes("tall") });
  tell({ page: name, ...seen });
};

const asked = [];
for (const [size, path] of [["phone", "/board"], ["tablet", "/board"], ["desk", "/board"], ["wall", "/board?wall=1"], ["tall", "/board?wall=1"]]) {
  for (const scheme of ["light", "dark"]) {
    const page = await open(size, scheme, true);
    page.on("request", request => asked.push(request.url()));
    await page.goto(path);
    await look(page, `board-${size}-${scheme}`);
    await page.context().close();
  }
}

// With the keyboard alone and without script: from the board to an order, a token, a closing with a reading that is asked back.
{
  const page = await open("tablet", "light", false);
  const tabTo = async what => {
    for (let i = 0; i < 200; i++) {
      await page.keyboard.press("Tab");
      // At the end of a page the focus leaves it, and comes back at its beginning.
      const focus = page.locator(":focus");
      if (await focus.count() && await focus.evaluate((part, what) => part.id === what || part.textContent.trim() === what, what)) return;
    }
    throw new Error(`no way by keys to ${what} on ${page.url()}`);
  };
  const key = what => Promise.all([page.waitForNavigation(), page.keyboard.press(what)]);
  const title = () => page.locator("h1").textContent();
  await page.goto("/board");
  await tabTo("Empty the condensate bowl");
  await key("Enter");
  tell({ step: "asked for a token", title: await title(), focus: await page.locator(":focus").getAttribute("id") });
  await page.keyboard.type("fettler_mistyped");
  await key("Enter");
  tell({ step: "a wrong one", title: await title(), wrong: await page.locator(".wrong").textContent() });
  await page.keyboard.type(token);
  await key("Enter");
  tell({ step: "the order", title: await title(), caution: await page.locator(".cautions li").first().textContent() });
  await tabTo("read.line-air");
  await page.keyboard.type("61");
  await tabTo("by");
  await page.keyboard.type("Ada Kern");
  await key("Enter");
  tell({ step: "not all said", status: await page.locator("#complaints").textContent(), focus: await page.locator(":focus").getAttribute("class"),
    kept: await page.locator("[id='read.line-air']").inputValue(), wrong: await page.locator("form .wrong").allTextContents() });
  await tabTo("heeded-yes");
  await page.keyboard.press("Space");
  await tabTo("found-good");
  await page.keyboard.press("ArrowDown");
  await tabTo("used.1.item");
  await page.keyboard.type("way oyl VG 68");
  await tabTo("used.1.quantity");
  await page.keyboard.type("2");
  await tabTo("Close order " + page.url().split("/").pop());
  await key("Enter");
  // What belongs to one item stands in one row, and its tick below, as wide as they are together.
  const item = await page.locator(".used").first().evaluate(group => {
    const box = part => { const { left, right, bottom, top } = part.getBoundingClientRect(); return { left, right, bottom, top }; };
    const [fields, tick] = [[...group.querySelectorAll(".field")].map(box), box(group.querySelector(".choice"))];
    const round = number => Math.round(number);
    return {
      rows: new Set(fields.map(field => round(field.bottom))).size, columns: new Set(fields.map(field => round(field.left))).size,
      below: fields.every(field => tick.top >= field.bottom), whole: round(tick.right - tick.left) === round(box(group).right - box(group).left),
    };
  });
  tell({ step: "asked back", wrong: await page.locator("form .wrong").allTextContents(), item });
  await page.screenshot({ path: join(pictures, "asked-tablet-light.png"), fullPage: true });
  await tabTo("so.read.line-air");
  await page.keyboard.press("Space");
  await tabTo("so.used.1.item");
  await page.keyboard.press("Space");
  await tabTo("Close order " + page.url().split("/").pop());
  await key("Enter");
  tell({ step: "closed", title: await title(), text: await page.locator("main").textContent(), url: page.url() });
  const closed = page.url();
  await page.reload();
  tell({ step: "sent again by the browser", title: await title() });
  const state = await page.context().storageState();
  await page.context().close();

  // The pages of somebody who works, looked at with the session that was entered.
  for (const [size, scheme] of [["phone", "dark"], ["tablet", "light"], ["desk", "dark"]]) {
    const context = await browser.newContext({
      viewport: { width: SIZES[size][0], height: SIZES[size][1] }, colorScheme: scheme, storageState: state, baseURL: origin,
    });
    const page = await context.newPage();
    await page.goto("/board");
    const order = await page.locator("a:text('Service at 800 hours')").first().getAttribute("href");
    await page.goto(order);
    await look(page, `order-${size}-${scheme}`);
    await page.locator("main button").click();
    await look(page, `wrong-${size}-${scheme}`);
    await page.goto("/board/enter");
    await look(page, `enter-${size}-${scheme}`);
    await page.goto("/board/order/999999");
    await look(page, `none-${size}-${scheme}`);
    await page.goto(closed);
    await look(page, `closed-${size}-${scheme}`);
    await context.close();
  }
}

// The page is made anew by itself, and whoever reads it stays where they were.
{
  const page = await open("phone", "light", true);
  await page.route("**/board", async route => {
    const response = await route.fetch();
    await route.fulfill({ response, headers: { ...response.headers(), refresh: "1; url=/board" } });
  });
  await page.goto("/board");
  await page.evaluate(() => { window.before = true; scrollTo(0, 900); });
  await page.waitForFunction(() => !window.before && document.readyState === "complete");
  await page.waitForFunction(() => scrollY > 0, null, { timeout: 30_000 }).catch(() => {});
  tell({ step: "made anew", scrolled: await page.evaluate(() => Math.round(scrollY)) });
  await page.context().close();
}

// On paper nothing is told by shade alone.
{
  const page = await open("desk", "dark", true);
  await page.goto("/board");
  await page.emulateMedia({ media: "print", colorScheme: "dark" });
  const shades = await page.evaluate(() => [...new Set([...document.querySelectorAll("body *")].map(part => getComputedStyle(part).color))]);
  tell({ step: "printed", shades, forbidden: await page.locator("#forbidden").isVisible() });
  await page.context().close();
}
tell({ step: "asked", others: [...new Set(asked.filter(url => !url.startsWith(origin + "/board")))] });
await browser.close();

"""The status page in a real Chromium: at the sizes of telephones and a desk, in light and dark, with scripts and without.

Usage: chromium_test.py [test...]. Without Chromium (Debian: chromium) it says so and ends with 77. With NIGHTWELL_PICTURES=FOLDER
it leaves pictures of what it saw there, for people to look at.
"""
import os
import sys

from chromium import PROGRAM, Chromium, Door
from page_lab import HOSTILE, PageLab, begun, check, fields, opening, phase, plateau_plan, card, sweep
from relay_lab import run_tests
from written_journals import Record, Seal, chain, closing

# The smallest telephones still in use, a usual one, a tablet, a desk: common practice, no source.
SIZES = [("phone-small", 320, 640, True), ("phone", 390, 844, True), ("tablet", 768, 1024, True), ("desk", 1280, 900, False)]
LONGEST_WORD = "W" * 60


def parked():
    return [phase("parked", "guard over_temperature of bath crossed"),
            Record("park", fields(source="bath", confirmed=False, temperature_c=None, text="no answer")),
            Record("ask", fields(text="Set the bath to 15 °C, then say ready".replace("°", "deg"), source="bath"))]


def half_a_night():
    """An hour's approach and settling, as a plot wants it."""
    return [*begun(), *(sweep(number, 15.0 - 0.75 * 0.999 ** number) for number in range(5, 3600, 5)), phase("settle", "in the band")]


def overflowing(tab):
    """What sticks out at the right of the page, as a person would see it."""
    return tab.value("""[...document.querySelectorAll('body *')].filter((e) => {
        const box = e.getBoundingClientRect();
        return box.width > 0 && !e.closest('svg *') && box.right > document.documentElement.clientWidth + 1 && getComputedStyle(e).position !== 'absolute';
    }).map((e) => e.tagName + ' ' + e.className + ': ' + e.textContent.slice(0, 40))""")


def fits_every_screen():
    with PageLab() as lab, Chromium() as browser:
        lab.write("cold-1", chain(half_a_night()))
        lab.write("hot-1", chain(begun(bench="hot room", job=LONGEST_WORD) + parked()))
        lab.start()
        lab.until("/run/cold-1", "in the band")
        lab.until("/run/hot-1", "no answer")
        door = Door(lab)
        for name, width, height, mobile in SIZES:
            for scripts in (True, False):
                tab = browser.tab(width=width, height=height, mobile=mobile, scripts=scripts, dark=name == "phone" and scripts)
                for page in ("/", "/run/cold-1", "/run/hot-1"):
                    tab.go(door.address + page)
                    where = f"{page} at {width} px, scripts {'on' if scripts else 'off'}"
                    tab.picture(f"{name}{page.replace('/', '-').rstrip('-')}{'' if scripts else '-no-scripts'}")
                    check(tab.value("innerWidth") == width and not overflowing(tab), f"{where}: sticks out: {overflowing(tab)}")
                    check(tab.text("h1 .state"), f"{where}: no state")
                    smallest = tab.value("""Math.min(...[...document.querySelectorAll('main *')].filter((e) => !e.closest('svg') &&
                        e.textContent.trim()).map((e) => parseFloat(getComputedStyle(e).fontSize)))""")
                    check(smallest >= 12, f"{where}: letters of {smallest} px")
                    plots = tab.value("[...document.querySelectorAll('svg')].filter((e) => e.getBoundingClientRect().width > 0).length")
                    check(plots == 1, f"{where}: {plots} plots are to be seen")
                check(not tab.complaints, f"at {width} px: {tab.complaints}")


def moves_by_itself():
    with PageLab() as lab, Chromium() as browser:
        lines = chain(begun() + [sweep(1, 14.5), phase("settle", "in the band"), closing(), Seal()])
        lab.write("cold-1", lines[:5])
        lab.start()
        lab.until("/", "14.2500 °C")
        door = Door(lab)
        tab = browser.tab(width=390, height=844, mobile=True)
        tab.go(door.address + "/")
        tab.value("window.mark = 'the same page'")
        lab.append("cold-1", b"".join(line + b"\n" for line in lines[5:7]))
        tab.until("document.querySelector('h1 .state').textContent === 'settle' && document.body.textContent.includes('14.5000 °C')")
        check("settle" in tab.value("document.title"), "the title is the old one")
        check("here)" in tab.text(".since"), "the reader's own time is not set beside UTC")
        lab.append("cold-1", b"".join(line + b"\n" for line in lines[7:]))
        tab.until("document.querySelector('h1 .state').textContent === 'finished'")
        check(tab.value("window.mark") == "the same page", "the page was loaded anew")
        check(not tab.complaints, f"{tab.complaints}")


ORDER = "[...document.querySelectorAll('main section')].map((section) => section.id).join(' ')"


def shows_a_run_that_begins_later():
    with PageLab() as lab, Chromium() as browser:
        lab.start()
        tab = browser.tab(width=390, height=844, mobile=True)
        tab.go(Door(lab).address + "/")
        check("There is no run here yet." in tab.text("main"), tab.text("main"))
        tab.value("window.mark = 'the same page'")
        lab.write("cold-1", chain([*begun(), sweep(1, 14.5), *parked()]))
        tab.until("document.querySelector('h1 .state')?.textContent === 'parked'")
        tab.until("document.querySelectorAll('#calls .call').length === 2")
        order = tab.value(ORDER)
        check(order == "now course plateaus events journal benches", f"the order is {order}")
        check("parked" in tab.value("document.title"), "the title is the old one")
        tab.until("[...document.querySelectorAll('svg')].some((e) => e.getBoundingClientRect().width > 0)")
        # A second bench: now there is a choice, which stands first.
        lab.write("hot-1", chain(begun(bench="hot room", utc="2026-11-20T20:15:00.000000Z")))
        tab.until(ORDER + " === 'benches now course plateaus events journal'")
        os.rename(lab.runs, lab.runs + "-away")
        tab.until(ORDER + ".startsWith('folder benches now')")
        check("The runs folder cannot be read" in tab.text("#folder"), tab.text("main"))
        tab.picture("phone-no-runs-folder")
        os.rename(lab.runs + "-away", lab.runs)
        tab.until(ORDER + ".startsWith('benches now')")
        for run in ("cold-1", "hot-1"):
            os.rename(os.path.join(lab.runs, run), os.path.join(lab.folder, run))
        tab.until(ORDER + " === 'benches' && document.body.textContent.includes('There is no run here yet.')")
        check(tab.value("document.title") == "no run yet", "the title is of a run that is not there")
        check(tab.value("window.mark") == "the same page", "the page was loaded anew")
        check(not tab.complaints, f"{tab.complaints}")


def says_that_a_run_is_no_longer_there():
    contact = "document.getElementById('contact').textContent"
    with PageLab() as lab, Chromium() as browser:
        lab.write("cold-1", chain(begun()))
        lab.start()
        lab.until("/run/cold-1", "14.2500 °C")
        tab = browser.tab(width=390, height=844, mobile=True)
        tab.go(Door(lab).address + "/run/cold-1")
        tab.until(contact + ".startsWith('live')")
        os.rename(os.path.join(lab.runs, "cold-1"), os.path.join(lab.folder, "cold-1"))
        tab.until(contact + ".startsWith('This run is no longer in the runs folder')")
        tab.picture("phone-no-longer-there")
        os.rename(os.path.join(lab.folder, "cold-1"), os.path.join(lab.runs, "cold-1"))
        tab.until(contact + ".startsWith('live')")


def says_when_contact_is_lost():
    with PageLab() as lab, Chromium() as browser:
        lines = chain(begun() + [sweep(1, 14.5)])
        lab.write("cold-1", lines[:5])
        lab.start()
        lab.until("/", "14.2500 °C")
        door = Door(lab)
        tab = browser.tab(width=390, height=844, mobile=True)
        tab.go(door.address + "/")
        tab.until("document.getElementById('contact').textContent.startsWith('live')")
        door.shut()
        tab.until("document.getElementById('contact').textContent.startsWith('No contact with the relay since')")
        tab.picture("phone-no-contact")
        lab.append("cold-1", lines[5] + b"\n")
        door.reopen()
        tab.until("document.getElementById('contact').textContent.startsWith('live')")
        tab.until("document.body.textContent.includes('14.5000 °C')")


def runs_nothing_that_a_journal_says():
    bad = HOSTILE + "<img src=x onerror=\"window.came=1\"><a href=\"javascript:window.came=1\">x</a>"
    with PageLab() as lab, Chromium() as browser:
        lines = chain([opening(bench=bad, job=bad), card(), plateau_plan(), phase("approach", bad),
                       Record("fault", fields(instrument=bad, code=bad, text=bad)), Record("ask", fields(text=bad, source=bad))])
        lab.write("cold-1", lines[:4])
        lab.start()
        lab.until("/", "&lt;script&gt;")
        tab = browser.tab(width=390, height=844, mobile=True)
        tab.go(Door(lab).address + "/")
        lab.append("cold-1", b"".join(line + b"\n" for line in lines[4:]))
        tab.until("document.body.textContent.includes('waits for')")
        tab.picture("phone-hostile")
        check(tab.value("typeof window.came") == "undefined", "a journal's text was run")
        check(tab.value("document.querySelectorAll('main img, main script, main a:not([href^=\"/run/\"])').length") == 0, "its tags became elements")
        check(not tab.complaints, f"{tab.complaints}")


def without_scripts():
    with PageLab() as lab, Chromium() as browser:
        lines = chain(begun() + [sweep(1, 14.5)])
        lab.write("cold-1", lines[:5])
        lab.start()
        lab.until("/", "14.2500 °C")
        tab = browser.tab(width=390, height=844, mobile=True, scripts=False)
        tab.go(Door(lab).address + "/")
        check("14.2500 °C" in tab.text("main") and "read again every 30 seconds" in tab.text("body"), tab.text("body"))
        check(tab.value("document.querySelector('meta[http-equiv=refresh]').content") == "30", "it is not read again")
        lab.append("cold-1", lines[5] + b"\n")
        lab.until("/", "14.5000 °C")
        tab.say("Page.reload")
        tab.loaded.get(timeout=60)
        check("14.5000 °C" in tab.text("main"), "read again, it is the old page")


if not PROGRAM:
    print("left out: Chromium (Debian: chromium) is not installed")
    sys.exit(77)
run_tests([fits_every_screen, moves_by_itself, shows_a_run_that_begins_later, says_that_a_run_is_no_longer_there,
           says_when_contact_is_lost, runs_nothing_that_a_journal_says, without_scripts])

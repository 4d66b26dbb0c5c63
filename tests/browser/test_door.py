"""The door as a browser sees it: the address, the policy, and a tab that is closed."""

import time

import pytest
from playwright.sync_api import Error, expect


def test_the_token_is_in_no_address_that_the_browser_keeps(page, served):
    assert served.token not in page.url
    assert served.token not in page.evaluate("JSON.stringify([document.referrer, location.href, history.state])")
    assert served.token not in page.content()
    page.goto(served.workbook("calibrate"))
    expect(page.get_by_role("heading", name="Rig and conditions")).to_be_visible()
    assert page.evaluate("document.referrer") == ""
    page.go_back()
    assert served.token not in page.url
    cookie = next(each for each in page.context.cookies() if each["name"].startswith("username-"))
    assert cookie["httpOnly"] and cookie["sameSite"] == "Lax" and cookie["expires"] == -1
    assert served.token not in cookie["value"]


def test_a_script_that_stands_in_a_page_is_not_run(page, served, watch):
    page.goto(served.workbook("calibrate"))
    expect(page.get_by_role("heading", name="Rig and conditions")).to_be_visible()
    for attack in (
        "const s = document.createElement('script'); s.textContent = 'window.ran = 1'; document.body.append(s)",
        "document.body.insertAdjacentHTML('beforeend', '<img src=x onerror=\"window.ran = 1\">')",
        "const s = document.createElement('script'); s.src = 'data:text/javascript,window.ran=1'; document.body.append(s)",
        "const f = document.createElement('iframe'); f.srcdoc = '<script>parent.ran = 1</script>'; document.body.append(f)",
        "document.body.insertAdjacentHTML('beforeend', '<object data=\"/labkit/favicon.svg\"></object>')",
    ):
        page.evaluate(f"() => {{ {attack} }}")
    with pytest.raises(Error, match="Content Security Policy"):
        page.add_script_tag(content="window.ran = 1")
    page.evaluate("""() => { try { setTimeout("window.ran = 1") } catch { /* refused at once */ } }""")
    page.wait_for_timeout(1000)
    assert page.evaluate("window.ran") is None
    blocked = [error for error in watch.errors if "Content Security Policy" in error or "404" in error]
    assert len(blocked) >= 4 and len(blocked) == len(watch.errors), watch.errors
    watch.errors.clear()


def test_the_kernel_of_a_tab_that_is_closed_ends_soon(page, served):
    with page.expect_response(lambda response: "/api/kernels/" in response.url or "/render/" in response.url):
        page.goto(served.workbook("calibrate"))
    expect(page.get_by_role("heading", name="Rig and conditions")).to_be_visible()
    kernel = page.evaluate("JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId")
    request = page.context.request
    assert request.get(f"{served.root}/api/kernels/{kernel}").status == 200
    page.close(run_before_unload=True)
    deadline = time.monotonic() + 60
    while request.get(f"{served.root}/api/kernels/{kernel}").status != 404:
        assert time.monotonic() < deadline, "the kernel is still there"
        time.sleep(1)

"""Response headers every page carries: the content policy, and no copies kept unless a view says so."""

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "font-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; "
    "object-src 'none'; frame-ancestors 'none'"
)


def headers(get_response):
    """Middleware: strict CSP (nothing inline, no other host), Permissions-Policy, `no-store` by default."""

    def middleware(request):
        response = get_response(request)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        response.headers.setdefault("Permissions-Policy", "camera=(self), geolocation=(), microphone=()")
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    return middleware

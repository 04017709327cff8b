"""Signing in and out, and changing one's own password."""

from django.conf import settings
from django.contrib.auth import views as auth
from django.contrib.auth.decorators import login_not_required
from django.urls import reverse_lazy
from django.views.decorators.http import require_http_methods


class SignIn(auth.LoginView):
    """Twelve hours, or thirty days on a phone whose owner says it is theirs."""

    template_name = "pages/sign_in.html"
    redirect_authenticated_user = True

    def form_valid(self, form):
        own = self.request.POST.get("own_phone") == "on"
        response = super().form_valid(form)
        self.request.session.set_expiry(settings.OWN_PHONE_COOKIE_AGE if own else settings.SESSION_COOKIE_AGE)
        return response


class SignOut(auth.LogoutView):
    """Ends the session. Only the cache is cleared: what a phone has not sent yet stays on it."""

    http_method_names = ["post"]

    def dispatch(self, request, *args, **kwargs):
        response = super().dispatch(request, *args, **kwargs)
        response.headers["Clear-Site-Data"] = '"cache"'
        return response


pages = require_http_methods(["GET", "HEAD", "POST"])

sign_in = pages(login_not_required(SignIn.as_view()))
sign_out = login_not_required(SignOut.as_view())
password = pages(
    auth.PasswordChangeView.as_view(template_name="pages/password_change.html", success_url=reverse_lazy("start"))
)

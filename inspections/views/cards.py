from django.http import HttpResponse


def card(request, **_):
    return HttpResponse("being built")

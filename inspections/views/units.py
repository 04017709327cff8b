from django.http import HttpResponse


def units(request, **_):
    return HttpResponse("being built")


def pick(request, **_):
    return HttpResponse("being built")


def unit(request, **_):
    return HttpResponse("being built")

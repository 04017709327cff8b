from django.http import HttpResponse


def find(request, **_):
    return HttpResponse("being built")


def new(request, **_):
    return HttpResponse("being built")


def finding(request, **_):
    return HttpResponse("being built")


def short(request, **_):
    return HttpResponse("being built")
